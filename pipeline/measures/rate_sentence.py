"""Two rates compared in one plain sentence that says no more than its figures do.

Three things can be said of two groups: a difference is shown; none is shown, with what the interval leaves open; it
cannot be told, and why. Shown is where the adjusted interval, the test allowing for the other pairs, and the comparison
within the units of each dentist agree. Strata that disagree are a note beside it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

from pipeline.measures.groups import GROUPS
from pipeline.measures.run import Result

RateVerdict = Literal["cannot be told", "difference shown", "no difference shown"]

FEWEST_PATIENTS = 10  # of a side; with fewer one patient may be the whole difference. Common practice, no source
STRATA_DISAGREE = 0.05  # Holm-corrected p of equal ratios below which a note says so; common practice, no source


def verdict(row: dict[str, Any], confidence: float = 0.95) -> RateVerdict:
    """Which of the three the figures of a row allow."""
    return "cannot be told" if _why_not(row, confidence) else _shown(row, confidence)


def sentence(row: dict[str, Any], group: str, confidence: float = 0.95) -> str:
    """The sentence of one row: which two groups, and what may be said of them."""
    name = GROUPS[group]
    lead = f"{name[:1].upper()}{name[1:]} “{row.get(group)}” against “{row.get('reference')}”"
    return f"{lead}: {statement(row, confidence)}"


def statement(row: dict[str, Any], confidence: float = 0.95) -> str:
    """The sentence without the names of the groups; the interval is at `confidence`."""
    why = _why_not(row, confidence)
    if why:
        return f"cannot be told: {why}."
    interval = f"{confidence * 100:.6g} % interval {times(row['low'])} to {_high(row)}"
    figure = f"{times(row['estimate'])} times as often ({interval})"
    if _shown(row, confidence) == "difference shown":
        return (
            f"a difference is shown: among like uses instruments separated {figure} with the first{_dentists(row)}; "
            f"allowed for: {row['allowed_for']}{_disagree(row)}. {_besides(row)} This is an association, not a cause."
        )
    undone = ""
    if _one_sided(row):
        undone = f"; that the interval leaves 1 out does not stand after allowing for the other pairs (p {_p(row)})"
    return (
        f"no difference shown: among like uses {figure} with the first{undone}; {_left_open(row)}; allowed for: "
        f"{row['allowed_for']}{_disagree(row)}. {_besides(row)}"
    )


def with_sentences(result: Result, confidence: float) -> Result:
    """The result with `verdict` and `sentence` on every row."""
    group = result.by[0]
    rows = [
        {**row, "verdict": verdict(row, confidence), "sentence": sentence(row, group, confidence)}
        for row in result.rows
    ]
    return replace(result, rows=rows)


def times(ratio: float) -> str:
    """A ratio with two digits that mean something, and never rounded to 1."""
    for digits in range(2, 7):
        text = f"{ratio:.{digits}g}"
        if ratio == 1 or float(text) != 1:
            break
    return f"{float(text):.{max(0, digits - 1)}f}" if 1 <= float(text) < 10 else f"{float(text):,.10g}"


def _why_not(row: dict[str, Any], confidence: float) -> str:
    if row.get("too_few"):
        return "a side is smaller than the smallest group that is reported"
    if not row["events"] and not row["events_reference"]:
        return (
            "no instrument separated with either, which is not no risk: their rates per 1,000 uses may be up to "
            f"{times(row['rate_high'])} and {times(row['rate_reference_high'])}"
        )
    if min(row["patients"], row["patients_reference"]) < FEWEST_PATIENTS:
        return f"fewer than {FEWEST_PATIENTS} patients on a side"
    if not row["strata"]:
        return "no like uses with both"
    if row["estimate"] is None:
        return "no instrument separated in uses that have their like with the other"
    if _shown(row, confidence) == "difference shown" and not _borne_out(row):
        found = f"{times(row['estimate'])} times as often among like uses ({times(row['low'])} to {_high(row)})"
        if not row["dentist_events"]:
            return f"{found}, but no dentist used both in like canals, so that sequence and hand cannot be told apart"
        within = f"{times(row['dentist_ratio'])} ({times(row['dentist_low'])} to {_high(row, 'dentist_high')})"
        return f"{found}, but within the uses of each dentist {within}: the hand may explain it, or too few are left"
    return ""


def _shown(row: dict[str, Any], confidence: float) -> RateVerdict:
    p = row["p_adjusted"]
    shown = _one_sided(row) and p is not None and p < 1 - confidence
    return "difference shown" if shown else "no difference shown"


def _one_sided(row: dict[str, Any], low: str = "low", high: str = "high") -> bool:
    """Does the interval leave 1 out? A `high` of None is without bound."""
    return bool(row[low] > 1 or (row[high] is not None and row[high] < 1))


def _borne_out(row: dict[str, Any]) -> bool:
    """Does the comparison within each dentist's uses show the same? True where dentists are what is compared."""
    if row["dentist_events"] is None:
        return True
    if row["dentist_ratio"] is None:
        return False
    same_side = (row["dentist_ratio"] > 1) == (row["estimate"] > 1)
    return same_side and _one_sided(row, "dentist_low", "dentist_high")


def _dentists(row: dict[str, Any]) -> str:
    if row["dentist_events"] is None:
        return ""
    return f", and {times(row['dentist_ratio'])} times within the uses of each dentist"


def _left_open(row: dict[str, Any]) -> str:
    """`up to 4.5 times as often with the first, or 2.1 times with the second, is not ruled out`."""
    parts = []
    if row["high"] is None:
        parts.append("there is no upper bound, as none separated with the second")
    elif row["high"] > 1:
        parts.append(f"up to {times(row['high'])} times as often with the first is not ruled out")
    if row["low"] == 0:
        parts.append("nor that none separate with it")
    elif row["low"] < 1:
        parts.append(f"{'nor ' if parts else ''}up to {times(1 / row['low'])} times as often with the second")
    return ", ".join(parts)


def _disagree(row: dict[str, Any]) -> str:
    p = row["homogeneity_p_adjusted"]
    if p is None or p >= STRATA_DISAGREE:
        return ""
    return (
        f" (note: the ratio is not the same in all strata, p {_p_text(p)}, so that one figure does not speak for each)"
    )


def _besides(row: dict[str, Any]) -> str:
    dentist = "" if row["dentist_events"] is None else "dentist (beside it), "
    known = f"{dentist}{row['recorded_besides']}".removesuffix(", ") or "nothing else"
    blank = f"; mostly not recorded: {row['not_recorded_besides']}" if row["not_recorded_besides"] else ""
    return f"Recorded and not allowed for: {known}{blank}. What no record holds may explain a difference, or hide one."


def _high(row: dict[str, Any], column: str = "high") -> str:
    return "any" if row[column] is None else times(row[column])


def _p(row: dict[str, Any]) -> str:
    return "not known" if row["p_adjusted"] is None else _p_text(row["p_adjusted"])


def _p_text(p: float) -> str:
    return "below 0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"
