"""Every entry of check-values-2.json is held by a test_values_*.py, or it is said why not yet."""

from __future__ import annotations

import ast

from .entries import ENTRIES, HERE

# Methods that have no function here yet: whoever builds one takes its entries out and holds them.
NOT_YET = {
    "results of several practices pooled": ["meta-bcg-dl", "meta-bcg-reml", "meta-bcg-reml-hk"],
    "a difference taken apart into mix and rates": [
        "dasgupta-2.1",
        "dasgupta-2.2",
        "dasgupta-4.3",
        "kitagawa-5.1",
        "oaxaca-ccard",
    ],
    "agreement of two observers": ["kappa-cohen1968", "kappa-skin", "fleiss-1971", "pabak-salmon"],
    "a share corrected for errors of the test": ["rogan-gladen-brucella"],
    "records that nobody kept": ["petersen-krebs", "chapman-ricker", "chapman-pine"],
    "how many units show that one is no worse": ["farrington-manning-.85", "farrington-manning-.70-.65"],
    "stock by the cost of too much and too little": ["newsvendor-walton", "newsvendor-7-5", "pinball"],
    "forecasts with conformal limits": ["split-conformal-9", "split-conformal-19", "cqr-9"],
    "counts that are rounded or perturbed": ["random-rounding-3", "cell-key-a"],
    "nothing here counts by week": ["iso-week"],
    "records in FHIR": ["fhir-date"],
    "a model of hazards (groups are compared by the log-rank test)": ["cox-cluster-diabetic", "wlw-bladder"],
    "a table of more than two groups": ["rao-scott-chisq-api"],
    "amounts below a limit of detection": ["tobit-tobin"],
    "nothing here uses it": ["eb-pumps-marshall"],
}


def held() -> set[str]:
    """Entries whose id stands as a text of its own in the code of a test_values_*.py."""
    ids = {entry["id"] for entry in ENTRIES}
    return {
        node.value
        for path in HERE.parent.rglob("test_values_*.py")
        if path.name != "test_values_covered.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in ids
    }


def test_every_entry_is_held_or_said_not_to_be() -> None:
    ids, not_yet = {entry["id"] for entry in ENTRIES}, {name for names in NOT_YET.values() for name in names}
    assert len(ids) == len(ENTRIES) == 73
    assert not_yet <= ids
    assert sorted(ids - held() - not_yet) == [], "nobody holds these"
    assert sorted(held() & not_yet) == [], "these are held: take them out of NOT_YET"
