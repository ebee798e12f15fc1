"""Separations of two sequences compared: crude and adjusted ratio side by side, and what may be concluded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.measures.rate_sentence import times
from pipeline.output.text import plain
from reports.blocks import Figure, Items, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.dots import Group, Mark, dots
from reports.evidence.common import cannot, counting, csv_file
from reports.evidence.comparison import pair
from reports.source import Answer
from reports.words import TOO_FEW, Words, count

HEADS = (
    "First against second",
    "Crude ratio",
    "Among like uses",
    "Within each dentist",
    "Separations of uses",
    "Rates",
)


def compared(words: Words, id: str, answer: Answer, conclusions: Sequence[Sentence], whose: str) -> list[Part]:
    """The chart of ratios on a logarithmic axis, the sentence that may be concluded of each pair, and the table."""
    if answer.missing:
        return [cannot(answer)]
    if not answer.rows:
        return [prose(f"Separations compared, {whose}: fewer than two sequences with engine-driven uses.")]
    groups, lines, said = [], [], []
    for row in answer.rows:
        label = pair(words, row)
        if row.get("too_few"):
            lines.append(Line((label, *[TOO_FEW] * 3, "\u2013", "\u2013"), answer.data(row)))
            continue
        crude, adjusted = (
            ratio_text(row, *names) for names in (("crude_ratio", "crude_low", "crude_high"), ("estimate",))
        )
        marks = (
            Mark(row["crude_ratio"], *_bounds(row, "crude_low", "crude_high"), crude, 0),
            Mark(row["estimate"], *_bounds(row, "low", "high"), adjusted, 1),
        )
        groups.append(Group(label, marks))
        said.append(f"{label}: crude {crude}, adjusted {adjusted}")
        sides = "; ".join(f"{count(row[f'events{end}'])} of {count(row[f'n{end}'])}" for end in ("", "_reference"))
        per = "; ".join(_rate(row, end) for end in ("", "_reference"))
        dentist = ratio_text(row, "dentist_ratio", "dentist_low", "dentist_high")
        lines.append(Line((label, crude, adjusted, dentist, sides, per), answer.data(row)))
    parts: list[Part] = []
    if any(mark.value is not None and mark.value > 0 for group in groups for mark in group.marks):
        axis = "Ratio of separation rates; right of the line: more often with the first named"
        wide, narrow = theme.both(
            lambda width: dots(groups, width, axis=axis, series=("Crude", "Adjusted"), reference=1.0, log=True)
        )
        title = f"Separations between sequences, {whose}: crude and adjusted ratios"
        parts.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. {'; '.join(said)}.",
                wide=wide,
                narrow=narrow,
                caption=f"{plain(answer.measure.caption)} Bars are {words.interval}s; one without a bound ends at the "
                "ratio.",
                data=answer.data(),
            )
        )
    if conclusions:
        parts.append(Items(tuple(conclusions), heading=f"What may be said of separations, {whose}"))
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"Separations compared between sequences, {whose}: ratios of rates ({words.interval}), separations "
            "of engine-driven uses and rates per 1,000 uses of the first; the second",
            heads=HEADS,
            lines=tuple(lines),
            numeric=frozenset(range(1, len(HEADS))),
            data=answer.data(),
            records=True,
            folded=bool(parts),  # the chart and the sentences say it
            note=counting(answer),
            file=csv_file(id, answer),
        )
    )
    return parts


def ratio_text(row: Mapping[str, Any], value: str = "estimate", low: str = "low", high: str = "high") -> str:
    """`2.3 (1.1 to 4.8)`, `0.31 (0 to 1.9)`, `4.1 (0.9 to any)`."""
    if row.get(value) is None:
        if row.get(low) is None:
            return "no figure"
        return f"no figure ({_end(row[low])} to {_end(row[high])})"
    return f"{_end(row[value])} ({_end(row[low])}\u00a0to\u00a0{_end(row[high])})"


def _end(value: float | None) -> str:
    return "any" if value is None else "0" if value == 0 else times(value)


def _bounds(row: Mapping[str, Any], low: str, high: str) -> tuple[float | None, float | None]:
    """The ends of a bar on a logarithmic axis, which has no 0: such an end is not drawn."""
    return (row[low] or None), row[high]


def _rate(row: Mapping[str, Any], end: str) -> str:
    """`3.6 (1.5 to 7.1)`."""
    low, high = row[f"rate{end}_low"], row[f"rate{end}_high"]
    return f"{row[f'rate{end}']:.1f} ({low:.1f}\u00a0to\u00a0{high:.1f})"
