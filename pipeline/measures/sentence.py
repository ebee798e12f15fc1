"""A comparison in one plain sentence that says no more than its figures do.

Four things can be said of two groups, and exactly one of them is: too few cases; the strata disagree, so that no one
figure speaks for all; a difference is shown; none is shown, with what so many cases could have shown at best. Shown is
never proven, and an association never a cause.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

from pipeline.measures import rate_sentence
from pipeline.measures.catalogue import Measure, find
from pipeline.measures.groups import GROUPS
from pipeline.measures.run import Result

Verdict = Literal["too few cases", "strata disagree", "difference shown", "no difference shown"]

STRATA_DISAGREE = 0.05  # Tarone's p below which one pooled figure is not to be used alone; common practice, no source


@dataclass(frozen=True)
class Words:
    """What is compared (`group`, a name of GROUPS) and what the share counts: `sequence`, `healed teeth`."""

    group: str
    share: str


def verdict(row: dict[str, Any], confidence: float = 0.95) -> Verdict:
    """Which of the four the figures of a comparison's row allow.

    A difference is shown where the adjusted interval lies on one side of 0 and the test, allowing for the other
    comparisons made at once, bears it out.
    """
    if row.get("too_few") or any(row.get(k) is None for k in ("estimate", "low", "high")):
        return "too few cases"
    disagree = row.get("homogeneity_p")
    if disagree is not None and disagree < STRATA_DISAGREE:
        return "strata disagree"
    return "difference shown" if _one_sided(row) and not _undone(row, confidence) else "no difference shown"


def sentence(row: dict[str, Any], words: Words, confidence: float = 0.95) -> str:
    """The sentence of one row of a comparison: which two groups, and what may be said of them."""
    name = GROUPS[words.group]
    lead = f"{name[:1].upper()}{name[1:]} “{row.get(words.group)}” against “{row.get('reference')}”"
    return f"{lead}: {statement(row, words, confidence)}"


def statement(row: dict[str, Any], words: Words, confidence: float = 0.95) -> str:
    """The sentence without the names of the groups: shares as percentage points, the interval at `confidence`."""
    said = verdict(row, confidence)
    if said == "too few cases":
        return f"too few cases to compare{_why_too_few(row)}."
    interval = f"{confidence * 100:.6g} % interval {points(row['low'])} to {points(row['high'])}"
    if said == "strata disagree":
        return (
            f"the strata disagree (test of equal odds ratios, p {p_text(row['homogeneity_p'])}), so that no one "
            f"figure speaks for all cases; the adjusted difference in the share of {words.share}, "
            f"{points(row['estimate'])} percentage points ({interval}), should not be used alone."
        )
    if said == "difference shown":
        higher = "higher" if row["estimate"] > 0 else "lower"
        doubt = ""
        if row.get("gee_low") is not None and row["gee_low"] <= 1 <= row["gee_high"]:
            doubt = "; the model in which teeth of one patient may be alike does not bear it out"
        return (
            f"a difference is shown: among like cases the share of {words.share} is "
            f"{points(abs(row['estimate'])).lstrip('+')} percentage points {higher} with the first ({interval}){doubt}"
            "; this is an association, and what is not recorded may explain it."
        )
    undone = ""
    if _one_sided(row):
        undone = (
            "; the interval lies on one side of 0, but the test, allowing for the other comparisons, does not bear it "
            f"out (p {p_text(row['p_adjusted'])})"
        )
    return (
        f"no difference shown in the share of {words.share}: {points(row['estimate'])} percentage points among "
        f"like cases ({interval}){undone}; what lies in the interval is not ruled out, and {_could_show(row)}."
    )


def told(result: Result, confidence: float) -> Result:
    """The result with a `sentence` on every row, if it is a comparison."""
    if result.kind == "rate_comparison":
        return rate_sentence.told(result, confidence)
    if result.kind != "comparison":
        return result
    words = words_of(find(result.measure), result.by[0])
    return replace(result, rows=[{**row, "sentence": sentence(row, words, confidence)} for row in result.rows])


def words_of(measure: Measure, group: str) -> Words:
    """The words of a measure that compares groups of this name."""
    return Words(group, measure.numerator or "units with the event")


def points(share: float) -> str:
    """A difference of shares (-1..1) in percentage points, signed; so many decimals that its sign is not lost."""
    x = share * 100
    decimals = next((d for d in range(1, 4) if round(x, d) != 0), 1)
    return f"{x:+.{decimals}f}" if round(x, decimals) else "0.0"


def p_text(p: float) -> str:
    """A p-value with the digits that mean something, never rounded across 0.05."""
    if p < 0.001:
        return "below 0.001"
    near = abs(p - STRATA_DISAGREE) < 0.0005
    return f"{p:.6f}" if near else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def _one_sided(row: dict[str, Any]) -> bool:
    """Does the adjusted interval leave 0 out?"""
    return bool(row["low"] > 0 or row["high"] < 0)


def _undone(row: dict[str, Any], confidence: float) -> bool:
    """Does the test, adjusted for the other comparisons, take back what the interval alone would show?"""
    p = row.get("p_adjusted")
    return p is not None and bool(p >= 1 - confidence)


def _why_too_few(row: dict[str, Any]) -> str:
    if row.get("too_few"):
        return ": a side is smaller than the smallest group that is reported"
    if row.get("estimate") is None:
        return ": no like cases on both sides"
    return ": in each stratum all of a side had the same outcome, which gives no interval"


def _could_show(row: dict[str, Any]) -> str:
    """What cases of these numbers could have shown at best: adjusting and clusters only take from it."""
    sides = f"{row['n']} and {row['n_reference']} cases"
    least = row.get("smallest_difference")
    if least is None:
        return f"with {sides} no difference of any size would have been shown four times in five"
    whole = math.ceil(least * 100 - 1e-9)
    return f"with {sides} at best a difference of about {whole} points or more would have been shown four times in five"
