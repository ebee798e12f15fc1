"""A comparison in one plain sentence that says no more than its figures do.

Four things can be said of two groups, and exactly one of them is: it cannot be told, for there are too few cases; the
two cannot be compared, for their cases are not alike; a difference is shown; none is shown, with what so many cases
could have shown at best. Shown is never proven, and an association never a cause. That strata seem to disagree is added
to what is said and never takes its place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

from pipeline.measures import rate_sentence
from pipeline.measures.catalogue import Measure, find
from pipeline.measures.groups import GROUPS
from pipeline.measures.run import Result

Verdict = Literal["cannot be told", "cannot be compared", "difference shown", "no difference shown"]

# p of equal odds ratios, after Holm's correction for the pairs, below which it is said that strata may disagree; common
# practice, no source
STRATA_DISAGREE = 0.05
SEEN_UNLIKE = 0.05  # p of equal shares seen below which it is said that the sides were not seen alike; likewise


@dataclass(frozen=True)
class ComparisonWords:
    """What is compared (`group`, a name of GROUPS), what the share counts (`healed teeth`), what its units are."""

    group: str
    share: str
    cases: str = "cases"


def verdict(row: dict[str, Any], confidence: float = 0.95) -> Verdict:
    """Which of the four the figures of a comparison's row allow.

    A difference is shown where the adjusted interval lies on one side of 0 and the test, allowing for the other
    comparisons made at once, bears it out.
    """
    if row.get("too_few") or row.get("cannot_tell"):
        return "cannot be told"
    if row.get("cannot_compare"):
        return "cannot be compared"
    if any(row.get(k) is None for k in ("estimate", "low", "high")):
        return "cannot be told"
    return "difference shown" if _one_sided(row) and not _undone(row, confidence) else "no difference shown"


def sentence(row: dict[str, Any], words: ComparisonWords, confidence: float = 0.95) -> str:
    """The sentence of one row of a comparison: which two groups, and what may be said of them."""
    name = GROUPS[words.group]
    lead = f"{name[:1].upper()}{name[1:]} “{row.get(words.group)}” against “{row.get('reference')}”"
    return f"{lead}: {statement(row, words, confidence)}"


def statement(row: dict[str, Any], words: ComparisonWords, confidence: float = 0.95, *, whole: bool = True) -> str:
    """The sentence without the names of the groups: shares as percentage points, the interval at `confidence`.

    `whole`: with what was allowed for and what was not by name, as a sentence that stands alone must; else shorter, for
    where that is said beside it.
    """
    said = verdict(row, confidence)
    if said == "cannot be told":
        return f"cannot be told: {row.get('cannot_tell') or _why_too_few(row)}."
    if said == "cannot be compared":
        return f"cannot be compared: {row['cannot_compare']}."
    interval = f"{confidence * 100:.6g} % interval {points(row['low'])} to {points(row['high'])}"
    allowed = f"after allowing for {row['adjusted_for']}" if whole and row.get("adjusted_for") else "among like cases"
    parts = []
    if said == "difference shown":
        higher = "higher" if row["estimate"] > 0 else "lower"
        parts.append(
            f"a difference is shown: {allowed}, the share of {words.share} is "
            f"{points(abs(row['estimate'])).lstrip('+')} percentage points {higher} with the first ({interval})"
        )
        parts.append("this is an association, and what was not allowed for may explain it" + _not_allowed(row, whole))
        if strength := _strength(row, words):
            parts.append(strength)
    else:
        parts.append(
            f"no difference shown in the share of {words.share}: {points(row['estimate'])} percentage points {allowed} "
            f"({interval})"
        )
        if _one_sided(row):
            parts.append(
                "the interval alone leaves out 0, but no difference is shown after allowing for the "
                f"{row['pairs']} comparisons looked at (p {p_text(row['p_adjusted'])})"
                if row.get("pairs")
                else "the interval alone leaves out 0, but no difference is shown after allowing for the other "
                f"comparisons looked at (p {p_text(row['p_adjusted'])})"
            )
        parts.append(f"what lies in the interval is not ruled out, and {_could_show(row)}{_not_allowed(row, whole)}")
    parts += [note for note in (_alone(row, words), _seen(row, words), _disagree(row)) if note]
    return "; ".join(parts) + "."


def with_sentences(result: Result, confidence: float) -> Result:
    """The result with a `sentence` on every row, if it is a comparison."""
    if result.kind == "rate_comparison":
        return rate_sentence.with_sentences(result, confidence)
    if result.kind != "comparison":
        return result
    words = words_of(find(result.measure), result.by[0])
    return replace(result, rows=[{**row, "sentence": sentence(row, words, confidence)} for row in result.rows])


def words_of(measure: Measure, group: str) -> ComparisonWords:
    """The words of a measure that compares groups of this name."""
    cases = next((unit for unit in ("teeth", "canals") if measure.denominator.startswith(unit)), "cases")
    return ComparisonWords(group, measure.numerator or "units with the event", cases)


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
        return "a side is smaller than the smallest group that is reported"
    return "the figures allow no interval"


def _not_allowed(row: dict[str, Any], whole: bool) -> str:
    """What is recorded and was not allowed for, and what no record tells."""
    if not whole:
        return ""
    recorded, none = row.get("not_adjusted_for"), row.get("unrecorded")
    said = [f"recorded but not allowed for: {recorded}" if recorded else "", f"not recorded: {none}" if none else ""]
    return "".join(f"; {part}" for part in said if part)


def _strength(row: dict[str, Any], words: ComparisonWords) -> str:
    """The E-value in plain words: what it would take to explain the ratio of the two shares away."""
    point, limit = row.get("e_value"), row.get("e_value_limit")
    if point is None or limit is None:
        return ""
    return (
        "to explain it away, something not allowed for would have to make both the choice between the two and being "
        f"among the {words.share} at least {point:.2f} times as likely, or {limit:.2f} times to move the interval to "
        "no difference (E-values)"
    )


def _alone(row: dict[str, Any], words: ComparisonWords) -> str:
    """Cases left aside for want of a counterpart, where they are many."""
    shares = [row.get("alone"), row.get("alone_reference")]
    if not any(share is not None and share > _MANY_ALONE for share in shares):
        return ""
    first, second = (f"{(share or 0) * 100:.0f}" for share in shares)
    return f"{first} and {second} % of the {words.cases} of the two have no counterpart and are left aside"


_MANY_ALONE = 0.1  # common practice, no source


def _seen(row: dict[str, Any], words: ComparisonWords) -> str:
    """A caution where the sides were not seen alike: of those not seen failures may be known, healing is not."""
    counts = [row.get(k) for k in ("n", "n_eligible", "n_reference", "n_eligible_reference")]
    if any(c is None for c in counts):
        return ""
    n1, all1, n0, all0 = (float(c) for c in counts)  # type: ignore[arg-type]
    p = (n1 + n0) / (all1 + all0) if all1 + all0 else 0.0
    spread = math.sqrt(p * (1 - p) * (1 / all1 + 1 / all0)) if all1 and all0 else 0.0
    if spread == 0 or math.erfc(abs(n1 / all1 - n0 / all0) / spread / math.sqrt(2)) >= SEEN_UNLIKE:
        return ""
    return (
        f"the outcome is known of {n1 / all1 * 100:.0f} and {n0 / all0 * 100:.0f} % of the {words.cases}: "
        "the two were not seen alike, which may itself make a difference or hide one"
    )


def _disagree(row: dict[str, Any]) -> str:
    p = row.get("homogeneity_p_adjusted")
    if p is None or p >= STRATA_DISAGREE:
        return ""
    return (
        f"the strata may disagree (test of equal odds ratios, p {p_text(p)}): one figure may not speak for all of them"
    )


def _could_show(row: dict[str, Any]) -> str:
    """What cases of these numbers could have shown at best: adjusting and clusters only take from it."""
    sides = f"{row['n']} and {row['n_reference']} cases"
    least = row.get("smallest_difference")
    if least is None:
        return f"with {sides} no difference of any size would have been shown four times in five"
    whole = math.ceil(least * 100 - 1e-9)
    return f"with {sides} at best a difference of about {whole} points or more would have been shown four times in five"
