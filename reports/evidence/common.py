"""What every kind of evidence shares: how it is named, counted, bounded and filed."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from pipeline.output.text import plain
from reports.blocks import PICKS, File, Line, Part, Prose, Sentence, Table, prose
from reports.source import Answer
from reports.words import Words, capital, count, is_percent, is_points, series

NEVER = frozenset({"patient", "patient_id", "birth_year", "cluster"})  # columns that no page and no file shows


Column = tuple[str, Callable[[dict[str, Any]], str]]  # of a table: a heading, and the text of a row


def axis_title(answer: Answer, what: str = "") -> str:
    """What a chart's axis measures, and in which unit."""
    title, unit = f"{what or answer.title}{middle(answer)}", unit_words(answer)
    said = re.search(rf"\b{re.escape(unit)}\b", title, re.IGNORECASE)  # by the title itself, as in rates
    return title if said else f"{title}, {unit}"


def unit_words(answer: Answer) -> str:
    """The unit as an axis or a heading names it; nothing for a share, whose figures bear their sign."""
    if is_percent(answer.result):
        return ""
    return "percentage points" if is_points(answer.result) else plain(answer.result.unit)


def middle(answer: Answer) -> str:
    """What kind of middle a figure is, where the measure's title does not say it."""
    return {"time": ", median", "amount": ", mean"}.get(answer.result.kind, "")


def cannot(answer: Answer) -> Prose:
    """Says by name which measure cannot be computed, and what is missing."""
    return prose(
        Sentence(f"{answer.title} cannot be computed: {series(answer.missing)}.", data={"measure": answer.name}),
        note=True,
    )


def left_out(answer: Answer) -> str:
    """What a figure does not count, and why."""
    if not answer.result:
        return ""
    reasons = reasons_words(answer.result.left_out)
    return f"Left out: {reasons}." if reasons else ""


def reasons_words(left_out: Sequence[Mapping[str, Any]]) -> str:
    """`treatment not completed (197); ...`."""
    return "; ".join(f"{plain(item['reason']).rstrip('.')} ({count(item['n'])})" for item in left_out if item["n"])


def counting(answer: Answer) -> str:
    """What n counts and what was left out, for a table's note."""
    m = answer.measure
    counted = (
        f"Counted: {plain(m.numerator)}, of {plain(m.denominator)}." if m and m.numerator and m.denominator else ""
    )
    return " ".join(t for t in (counted, left_out(answer)) if t)


def unprinted(printed: int, of: int) -> str:
    """What paper says of the lines of a table that it does not have; nothing where it has them all."""
    return f"Paper has the first {count(printed)} of {count(of)}; the workbook has all." if printed < of else ""


def csv_file(name: str, answer: Answer, hide: Iterable[str] = ()) -> File:
    """All rows of an answer as they came."""
    columns: dict[str, None] = dict.fromkeys(answer.by)
    for row in answer.rows:
        columns |= dict.fromkeys(row)
    hidden = set(hide) | NEVER
    return File(name, tuple(c for c in columns if c not in hidden), answer.rows)


def published(answer: Answer) -> list[Part]:
    """Published figures as context: never a target, their differences in words."""
    entries = list(answer.measure.published or ()) if answer.measure else []
    if not entries or not answer.result:
        return []
    lines = []
    for entry in entries:
        row = {"estimate": entry.value, "low": entry.low, "high": entry.high, "n": entry.n}
        figure = Words().with_interval(Shape(answer.result, [row]), row)
        lines.append(
            Line(
                (
                    figure,
                    "\u2013" if entry.n is None else count(entry.n),
                    plain(entry.population),
                    plain(entry.source),
                    plain(entry.differs),
                )
            )
        )
    return [
        Table(
            id=f"published-{slug(answer.name)}",
            caption=f"Published figures: {answer.title}, for context, not as a target",
            heads=("Figure", "n", "Population", "Source", "How it differs"),
            lines=tuple(lines),
            records=True,
            folded=True,
            summary=f"Published figures for context: {answer.title}",
        )
    ]


class Shape:
    """Rows with the kind and unit of a result, for formatting figures that are not the practice's own."""

    def __init__(self, result: Any, rows: list[dict[str, Any]]):
        self.kind, self.unit, self.rows = result.kind, result.unit, rows


def keys(answer: Answer, row: Mapping[str, Any]) -> dict[str, str]:
    """The row's values of what a reader can pick, for its marks in a chart."""
    return {by: plain(row[by]) for by in answer.by if by in PICKS and row.get(by) is not None}


def slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def n_text(row: Mapping[str, Any]) -> str:
    n = row.get("exposure") or row.get("n")
    return "\u2013" if n is None or row.get("too_few") else count(n)


def figure_head(words: Words, answer: Answer) -> str:
    unit = unit_words(answer)
    kind = {"time": "Median", "amount": "Mean", "forecast": "Expected"}.get(answer.result.kind, "")
    if is_percent(answer.result):
        head = "Share"
    elif not kind:
        head = capital(unit)
    else:  # what stands beside each figure is not said again
        said = words.is_money(answer.result) or words.unit_after(answer.result)
        head = kind if said else f"{kind}, {unit}"
    return f"{head} ({words.interval})"


def caption(words: Words, answer: Answer) -> str:
    """The measure's own caption, with what the bars mean."""
    own = plain(answer.measure.caption or "") if answer.measure else ""
    return " ".join(t for t in (own, f"Bars are {words.interval}s.") if t)
