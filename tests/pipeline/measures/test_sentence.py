"""What is said of a comparison is true to its figures, all over a grid of results."""

from __future__ import annotations

import itertools
import re
from typing import Any

import numpy as np
import pytest

from pipeline.measures.run import Result
from pipeline.measures.sentence import ComparisonWords, p_text, points, sentence, verdict, with_sentences
from pipeline.stats import power, stratified

HEALED = ComparisonWords("sequence", "healed teeth")
CONFIDENCES = (0.9, 0.95, 0.999)
NEVER = re.compile(
    r"\b(better|worse|best sequence|caus\w*|prove\w*|because|superior|equal\b(?! odds)|no effect|only what)\b"
)


CONTEXT = {
    "adjusted_for": "tooth type, dentist",
    "not_adjusted_for": "age",
    "unrecorded": "the patient's health",
    "e_value": 1.52,
    "e_value_limit": 1.21,
    "alone": 0.05,
    "alone_reference": 0.25,
    "n_eligible": 150,
    "n_eligible_reference": 400,
}


def row(**changes: Any) -> dict[str, Any]:
    figures = {"n": 120, "n_reference": 200, "estimate": 0.02, "low": -0.05, "high": 0.09}
    more = {"p_adjusted": 0.6, "smallest_difference": 0.118, "pairs": 6, "homogeneity_p_adjusted": 0.4}
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
        homogeneity_p_adjusted=found.tarone_p,
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
    row(estimate=estimate, low=estimate - half, high=estimate + half, homogeneity_p_adjusted=h, p_adjusted=p, **more)
    for estimate in (-0.3, -0.1, -0.001, 0.0, 0.001, 0.1, 0.3)
    for half in (0.0004, 0.05, 0.1, 0.25)
    for h in (None, 0.0, 0.0499, 0.05, 0.9)
    for p in (None, 0.0, 0.049, 0.051, 0.9)
    for more in ({}, CONTEXT)
]
GRID += [row(too_few=True, estimate=None, low=None, high=None, smallest_difference=None), row(low=None, high=None)]
GRID += [row(cannot_tell="6 patients on a side, fewer than 10", estimate=None, low=None, high=None)]
GRID += [row(cannot_compare="each dentist used only one of them", estimate=None, low=None, high=None)]
GRID += [row(smallest_difference=None), row(estimate=None, low=None, high=None), row(low=0.0), row(high=0.0)]


def numbers(text: str) -> list[float]:
    return [float(x) for x in re.findall(r"[-+]?\d+(?:\.\d+)?", text)]


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_over_the_grid_exactly_one_thing_is_said_and_it_is_what_the_figures_allow(confidence: float) -> None:
    seen = set()
    for r in GRID:
        said, text = verdict(r, confidence), sentence(r, HEALED, confidence)
        seen.add(said)
        unlike = bool(r.get("cannot_compare"))
        few = not unlike and bool(r.get("too_few") or None in (r["estimate"], r["low"], r["high"]))
        holds_zero = not (few or unlike) and r["low"] <= 0 <= r["high"]
        # In words one of the four, and only one.
        assert ("cannot be told" in text) == (said == "cannot be told") == few, (r, text)
        assert ("cannot be compared" in text) == (said == "cannot be compared") == unlike, (r, text)
        assert ("a difference is shown" in text) == (said == "difference shown")
        assert ("no difference shown" in text) == (said == "no difference shown")
        # That strata may disagree is added to the result and never stands for it.
        disagree = r["homogeneity_p_adjusted"]
        assert ("strata may disagree" in text) == (not (few or unlike) and disagree is not None and disagree < 0.05)
        if said == "difference shown":
            assert not holds_zero
            assert ("higher" in text) == (r["estimate"] > 0)
            assert ("lower" in text) == (r["estimate"] < 0)
            assert "association" in text
            assert ("E-value" in text) == ("e_value" in r)
        if holds_zero:
            assert said == "no difference shown"
        if said == "no difference shown":
            assert "four times in five" in text
            assert ("after allowing for the 6 comparisons looked at" in text) == (not holds_zero)
            if not holds_zero:
                assert r["p_adjusted"] >= 1 - confidence
        if "adjusted_for" in r:
            assert "tooth type, dentist" in text
            assert "recorded but not allowed for: age" in text
            assert "not recorded: the patient's health" in text
            assert "5 and 25 % of the cases of the two have no counterpart" in text
            assert "80 and 50 % of the cases" in text
        # One sentence, and never a cause, a grade or a proof.
        assert text.endswith(".")
        assert ". " not in text
        assert not NEVER.search(text), text
    assert seen == {"cannot be told", "cannot be compared", "difference shown", "no difference shown"}


def test_over_the_grid_every_printed_figure_is_the_rows_own() -> None:
    for r in GRID:
        text = sentence(r, HEALED)
        if verdict(r).startswith("cannot"):
            assert "%" not in text
            assert "point" not in text
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


def test_the_grid_of_computed_tables_holds_three() -> None:
    assert {verdict(r) for r in GRID[:384]} == {"cannot be told", "difference shown", "no difference shown"}


def test_the_four_sentences() -> None:
    assert sentence(row(), HEALED) == (
        "Sequence “A” against “B”: no difference shown in the share of healed teeth: +2.0 percentage points among like "
        "cases (95 % interval -5.0 to +9.0); what lies in the interval is not ruled out, and with 120 and 200 cases at "
        "best a difference of about 12 points or more would have been shown four times in five."
    )
    shown = {"estimate": -0.1, "low": -0.15, "high": -0.05, "p_adjusted": 0.01, "e_value": 1.5, "e_value_limit": 1.3}
    said = {"adjusted_for": "tooth type, dentist", "not_adjusted_for": "age", "unrecorded": "the patient's health"}
    assert sentence(row(**shown, **said), HEALED) == (
        "Sequence “A” against “B”: a difference is shown: after allowing for tooth type, dentist, the share of healed "
        "teeth is 10.0 percentage points lower with the first (95 % interval -15.0 to -5.0); this is an association, "
        "and what was not allowed for may explain it; recorded but not allowed for: age; not recorded: the patient's "
        "health; to explain it away, something not allowed for would have to make both the choice between the two and "
        "being among the healed teeth at least 1.50 times as likely, or 1.30 times to move the interval to no "
        "difference (E-values)."
    )
    assert sentence(row(homogeneity_p_adjusted=0.003), HEALED).endswith(
        "four times in five; the strata may disagree (test of equal odds ratios, p 0.003): one figure may not speak "
        "for all of them."
    )
    assert sentence(row(too_few=True, estimate=None), HEALED) == (
        "Sequence “A” against “B”: cannot be told: a side is smaller than the smallest group that is reported."
    )
    assert sentence(row(cannot_compare="each dentist used only one of them", estimate=None), HEALED) == (
        "Sequence “A” against “B”: cannot be compared: each dentist used only one of them."
    )


def test_an_interval_off_zero_that_many_comparisons_take_back_says_how_many() -> None:
    text = sentence(row(estimate=0.1, low=0.01, high=0.2, p_adjusted=0.2), HEALED)
    assert "no difference is shown after allowing for the 6 comparisons looked at (p 0.20)" in text


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
    assert with_sentences(share, 0.95) is share
    pair = Result("sequence_comparison", "", "", "comparison", ("dentist",), [row(dentist="D1")], [], 0)
    (only,) = with_sentences(pair, 0.95).rows
    assert only["sentence"].startswith("Dentist “D1” against “B”: no difference shown in the share of healed teeth")


def test_the_command_prints_it_under_the_table_and_in_json(canalwise: Any, filled: Any) -> None:
    found = canalwise("measure", "sequence_comparison", "--store", filled, "--json").json
    assert found["rows"]
    printed = canalwise("measure", "sequence_comparison", "--store", filled).out
    for r in found["rows"]:
        assert r["sentence"] in printed.splitlines()
