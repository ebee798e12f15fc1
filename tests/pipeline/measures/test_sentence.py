"""What is said of a comparison is true to its figures, all over a grid of results."""

from __future__ import annotations

import itertools
import re
from typing import Any

import numpy as np
import pytest

from pipeline.measures.run import Result
from pipeline.measures.sentence import Words, p_text, points, sentence, told, verdict
from pipeline.stats import power, stratified

HEALED = Words("sequence", "healed teeth")
CONFIDENCES = (0.9, 0.95, 0.999)
NEVER = re.compile(r"\b(better|worse|best sequence|caus\w*|prove\w*|because|superior|equal\b(?! odds)|no effect)\b")


def row(**changes: Any) -> dict[str, Any]:
    figures = {"n": 120, "n_reference": 200, "estimate": 0.02, "low": -0.05, "high": 0.09, "homogeneity_p": 0.4}
    more = {"p_adjusted": 0.6, "smallest_difference": 0.118, "gee_low": 0.7, "gee_high": 1.8}
    return {"sequence": "A", "reference": "B", **figures, **more, **changes}


def computed(a: tuple[int, int], b: tuple[int, int], apart: float, strata: int) -> dict[str, Any]:
    """A row as the program makes it, of equal strata: events of n on each side; `apart` moves the first strata."""
    shift = np.where(np.arange(strata) % 2 == 0, apart, -apart)
    x1 = np.clip(np.round(a[0] * (1 + shift)), 0, a[1])
    x0 = np.clip(np.round(b[0] * (1 - shift)), 0, b[1])
    tables = np.stack([np.stack([x1, a[1] - x1], 1), np.stack([x0, b[1] - x0], 1)], 1)
    found = stratified.mantel_haenszel(tables)
    least = power.smallest_difference(a[1] * strata, b[1] * strata, float(x0.sum()) / (b[1] * strata))
    return row(
        n=a[1] * strata,
        n_reference=b[1] * strata,
        estimate=found.risk_difference,
        low=found.difference_low,
        high=found.difference_high,
        homogeneity_p=found.tarone_p,
        p_adjusted=found.p,
        smallest_difference=least,
    )


GRID = [
    computed((x1, n1), (x0, n0), apart, strata)
    for n1, n0 in ((2, 3), (10, 10), (40, 60), (200, 150))
    for x1, x0 in itertools.product({0, n1 // 2, n1 - n1 // 8, n1}, {0, n0 // 2, n0 - n0 // 8, n0})
    for apart in (0.0, 0.4)
    for strata in (1, 2, 5)
]
GRID += [
    row(estimate=estimate, low=estimate - half, high=estimate + half, homogeneity_p=h, p_adjusted=p, gee_low=g)
    for estimate in (-0.3, -0.1, -0.001, 0.0, 0.001, 0.1, 0.3)
    for half in (0.0004, 0.05, 0.1, 0.25)
    for h in (None, 0.0, 0.0499, 0.05, 0.9)
    for p in (None, 0.0, 0.049, 0.051, 0.9)
    for g in (None, 0.5, 1.2)
]
GRID += [row(too_few=True, estimate=None, low=None, high=None, smallest_difference=None), row(low=None, high=None)]
GRID += [row(smallest_difference=None), row(estimate=None, low=None, high=None), row(low=0.0), row(high=0.0)]


def numbers(text: str) -> list[float]:
    return [float(x) for x in re.findall(r"[-+]?\d+(?:\.\d+)?", text)]


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_over_the_grid_exactly_one_thing_is_said_and_it_is_what_the_figures_allow(confidence: float) -> None:
    seen = set()
    for r in GRID:
        said, text = verdict(r, confidence), sentence(r, HEALED, confidence)
        seen.add(said)
        few = bool(r.get("too_few")) or None in (r["estimate"], r["low"], r["high"])
        disagree = not few and r["homogeneity_p"] is not None and r["homogeneity_p"] < 0.05
        holds_zero = not few and r["low"] <= 0 <= r["high"]
        # In words one of the four, and only one.
        assert ("too few cases" in text) == (said == "too few cases") == few, (r, text)
        assert ("strata disagree" in text) == (said == "strata disagree") == disagree, (r, text)
        assert ("a difference is shown" in text) == (said == "difference shown")
        assert ("no difference shown" in text) == (said == "no difference shown")
        if said == "difference shown":
            assert not holds_zero
            assert ("higher" in text) == (r["estimate"] > 0)
            assert ("lower" in text) == (r["estimate"] < 0)
            assert "association" in text
            assert ("does not bear it out" in text) == (r["gee_low"] is not None and r["gee_low"] <= 1)
        if holds_zero and not disagree:
            assert said == "no difference shown"
        if said == "no difference shown":
            assert "four times in five" in text
            assert ("on one side of 0" in text) == (not holds_zero)
            if not holds_zero:
                assert r["p_adjusted"] >= 1 - confidence
        # One sentence, and never a cause, a grade or a proof.
        assert text.endswith(".")
        assert ". " not in text
        assert not NEVER.search(text), text
    assert seen == {"too few cases", "strata disagree", "difference shown", "no difference shown"}


def test_over_the_grid_every_printed_figure_is_the_rows_own() -> None:
    for r in GRID:
        text = sentence(r, HEALED)
        if verdict(r) == "too few cases":
            assert numbers(text) == []
            continue
        low, high = re.search(r"95 % interval (\S+) to ([^\s)]+)\)", text).groups()  # type: ignore[union-attr]
        for printed, figure in ((low, r["low"]), (high, r["high"])):
            assert float(printed) == pytest.approx(figure * 100, abs=0.0501)
            # Rounding never moves a limit across 0, or onto it.
            assert np.sign(float(printed)) == np.sign(round(figure * 100, 3))
        assert any(abs(abs(x) - abs(r["estimate"] * 100)) < 0.0501 for x in numbers(text))
        if verdict(r) == "no difference shown" and r["smallest_difference"] is not None:
            shown = float(re.search(r"about (\d+) points or more", text).group(1))  # type: ignore[union-attr]
            assert 0 <= shown - r["smallest_difference"] * 100 < 1  # rounded up: so much would have been shown


def test_the_grid_of_computed_tables_holds_all_four() -> None:
    assert {verdict(r) for r in GRID[:384]} == {
        "too few cases",
        "strata disagree",
        "difference shown",
        "no difference shown",
    }


def test_the_four_sentences() -> None:
    assert sentence(row(), HEALED) == (
        "Sequence “A” against “B”: no difference shown in the share of healed teeth: +2.0 percentage points among like "
        "cases (95 % interval -5.0 to +9.0); what lies in the interval is not ruled out, and with 120 and 200 cases at "
        "best a difference of about 12 points or more would have been shown four times in five."
    )
    assert sentence(row(estimate=-0.1, low=-0.15, high=-0.05, p_adjusted=0.01, gee_high=0.9), HEALED) == (
        "Sequence “A” against “B”: a difference is shown: among like cases the share of healed teeth is 10.0 "
        "percentage points lower with the first (95 % interval -15.0 to -5.0); this is an association, and what is not "
        "recorded may explain it."
    )
    assert sentence(row(homogeneity_p=0.003), HEALED).startswith(
        "Sequence “A” against “B”: the strata disagree (test of equal odds ratios, p 0.003), so that no one figure"
    )
    assert sentence(row(too_few=True, estimate=None), HEALED) == (
        "Sequence “A” against “B”: too few cases to compare: "
        "a side is smaller than the smallest group that is reported."
    )


@pytest.mark.parametrize(
    ("share", "text"), [(0.0, "0.0"), (0.0004, "+0.04"), (-0.00004, "-0.004"), (0.1, "+10.0"), (-1.0, "-100.0")]
)
def test_points_keep_their_sign(share: float, text: str) -> None:
    assert points(share) == text


@pytest.mark.parametrize("p", [0.0, 0.0009, 0.001, 0.0494, 0.04999, 0.05, 0.0504, 0.0996, 0.3, 1.0])
def test_a_p_value_is_never_rounded_across_the_line(p: float) -> None:
    text = p_text(p)
    if text == "below 0.001":
        assert p < 0.001
    else:
        assert (float(text) < 0.05) == (p < 0.05)


def test_only_comparisons_are_told() -> None:
    share = Result("healed_share", "Healed share", "share", "share", (), [{"n": 3}], [], 0)
    assert told(share, 0.95) is share
    pair = Result("sequence_comparison", "", "", "comparison", ("dentist",), [row(dentist="D1")], [], 0)
    (only,) = told(pair, 0.95).rows
    assert only["sentence"].startswith("Dentist “D1” against “B”: no difference shown in the share of healed teeth")


def test_the_command_prints_it_under_the_table_and_in_json(canalwise: Any, filled: Any) -> None:
    found = canalwise("measure", "sequence_comparison", "--store", filled, "--json").json
    assert found["rows"]
    printed = canalwise("measure", "sequence_comparison", "--store", filled).out
    for r in found["rows"]:
        assert r["sentence"] in printed.splitlines()
