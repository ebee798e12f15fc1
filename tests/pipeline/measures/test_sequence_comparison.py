"""The comparison's model and its standardised shares, from a table of units."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from pipeline.measures.catalogue import find
from pipeline.measures.kinds import comparison
from pipeline.store.database import in_memory

COLUMNS = ("sequence", "tooth_type", "lesion", "kind", "numerator", "denominator", "cluster")
MEASURE = find("sequence_comparison").model_copy(
    update={"adjust": ("tooth_type", "lesion", "kind"), "adjust_numbers": (), "not_adjusted": {}}
)
MODEL = ("gee_odds_ratio", "gee_low", "gee_high", "gee_p", "gee_n", "gee_clusters")


def compared(units: pd.DataFrame, confidence: float = 0.95) -> list[dict[str, Any]]:
    connection = in_memory()
    connection.register("given", units)
    connection.execute("create temp table kept as select *, null::varchar as unseen, 14.0 as months from given")
    return comparison.rows(connection, "kept", MEASURE, ("sequence",), confidence)


def cases(seed: int = 3, n: int = 240, sequences: str = "AB", effect: float = 0.0) -> pd.DataFrame:
    """Teeth of patients with one or two each; lesions are commoner with A and heal less."""
    rng = np.random.default_rng(seed)
    patient = np.sort(rng.integers(0, n * 2 // 3, n))
    sequence = rng.choice(list(sequences), n)
    lesion = rng.random(n) < np.where(sequence == "A", 0.7, 0.3)
    tooth_type = rng.choice(["molar", "premolar", "incisor"], n)
    logit = 1.2 - 1.0 * lesion + effect * (sequence == "A") + rng.normal(0, 0.7, n * 2)[patient]
    event = rng.random(n) < 1 / (1 + np.exp(-logit))
    kind = np.where(rng.random(n) < 0.8, "primary", "retreatment")
    return pd.DataFrame(
        dict(zip(COLUMNS, (sequence, tooth_type, lesion, kind, event.astype(int), 1, patient.astype(str)), strict=True))
    )


@pytest.mark.parametrize("seed", range(4))
def test_the_model_is_statsmodels_own_of_the_same_formula(seed: int) -> None:
    """Oracle: statsmodels GEE from a formula, exchangeable correlation, robust errors."""
    units = cases(seed, effect=0.5)
    (row,) = compared(units)
    units["exposed"] = (units["sequence"] == row["sequence"]).astype(int)
    by_patient = units.sort_values("cluster")
    fitted = smf.gee(
        "numerator ~ exposed + C(tooth_type) + C(lesion) + C(kind)",
        "cluster",
        by_patient,
        family=sm.families.Binomial(),
        cov_struct=sm.cov_struct.Exchangeable(),
    ).fit(maxiter=100)
    low, high = np.exp(fitted.conf_int().loc["exposed"])
    assert row["gee_odds_ratio"] == pytest.approx(np.exp(fitted.params["exposed"]), rel=1e-4)
    assert (row["gee_low"], row["gee_high"]) == pytest.approx((low, high), rel=1e-4)
    assert row["gee_p"] == pytest.approx(fitted.pvalues["exposed"], abs=1e-4)
    assert (row["gee_n"], row["gee_clusters"]) == (240, units["cluster"].nunique())


def test_the_model_is_silent_below_ten_patients_a_side() -> None:
    units = cases(n=80)
    a, b = units[units["sequence"] == "A"], units[units["sequence"] == "B"]
    few = a[a["cluster"].isin(a["cluster"].unique()[:9])]
    (row,) = compared(pd.concat([few, b]))
    assert [row[k] for k in MODEL] == [None] * len(MODEL)
    assert row["estimate"] is None
    assert row["cannot_tell"] == "9 patients on a side, fewer than 10"
    assert row["mantel_haenszel_difference"] is not None
    ten = a[a["cluster"].isin(a["cluster"].unique()[:10])]
    (row,) = compared(pd.concat([ten, b]))
    assert row["gee_odds_ratio"] is not None


@pytest.mark.parametrize("always", [0, 1])
def test_a_side_that_always_or_never_heals_has_no_odds_ratio(always: int) -> None:
    units = cases()
    units.loc[units["sequence"] == "A", "numerator"] = always
    (row,) = compared(units)
    assert [row[k] for k in MODEL] == [None] * len(MODEL)
    assert row["odds_ratio"] is None
    assert None not in (row["estimate"], row["low"], row["high"], row["standardised_difference"])


def test_a_tooth_type_that_always_heals_is_left_out_of_the_model_and_does_not_spoil_it() -> None:
    units = cases(effect=0.4)
    units.loc[units["tooth_type"] == "incisor", "numerator"] = 1
    (row,) = compared(units)
    (without,) = compared(units[units["tooth_type"] != "incisor"])
    assert row["gee_n"] == int((units["tooth_type"] != "incisor").sum())
    assert row["gee_odds_ratio"] == pytest.approx(without["gee_odds_ratio"])


def test_two_teeth_of_one_patient_are_one_cluster_and_units_without_patient_stand_alone() -> None:
    units = cases()
    units.loc[units.index[:40], "cluster"] = None
    (row,) = compared(units)
    assert row["gee_clusters"] == units["cluster"].nunique() + 40


def test_standardised_shares_have_the_practices_own_mix_and_no_case_mix_of_their_own() -> None:
    """The mix is of everyone who counts, the third sequence too: weights by hand from a crosstab."""
    units = cases(n=600, sequences="ABC")
    rows = compared(units)
    assert [(r["sequence"], r["reference"]) for r in rows] == [
        (b, a)
        for a, b in (lambda s: [(s[0], s[1]), (s[0], s[2]), (s[1], s[2])])(
            units["sequence"].value_counts().index.to_list()
        )
    ]
    for row in rows:
        strata = units.groupby(["tooth_type", "lesion", "kind"])
        shares, weights = [], strata.size()
        for sequence in (row["sequence"], row["reference"]):
            own = units[units["sequence"] == sequence]
            shares.append(own.groupby(["tooth_type", "lesion", "kind"])["numerator"].mean())
        both = shares[0].index.intersection(shares[1].index)
        by_hand = [float((s[both] * weights[both]).sum() / weights[both].sum()) for s in shares]
        assert row["directly_standardised_difference"] == pytest.approx(by_hand[0] - by_hand[1])
        assert row["standard_covered"] == pytest.approx(weights[both].sum() / len(units))
        for way in ("directly_standardised", "standardised", "weighted", "mantel_haenszel"):
            assert row[f"{way}_low"] < row[f"{way}_difference"] < row[f"{way}_high"]


def test_where_case_mix_alone_differs_the_adjusted_figures_agree_that_it_does() -> None:
    """3,000 teeth, no effect of the sequence, lesions 70 % against 30 %: only the crude difference is far off."""
    (row,) = compared(cases(seed=1, n=3000))
    sign = 1 if row["sequence"] == "A" else -1
    assert sign * row["crude_difference"] < -0.05
    assert abs(row["estimate"]) < 0.04
    assert abs(row["standardised_difference"]) < 0.04
    assert row["gee_low"] < 1 < row["gee_high"]


def test_what_could_have_been_shown_follows_the_confidence() -> None:
    (usual,), (sure,) = compared(cases()), compared(cases(), confidence=0.999)
    assert sure["smallest_difference"] > usual["smallest_difference"]
    assert sure["gee_low"] < usual["gee_low"]


def test_one_sequence_alone_is_no_comparison() -> None:
    assert compared(cases(sequences="A")) == []
