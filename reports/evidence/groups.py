"""A measure by group: dots with intervals, and the table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reports.blocks import Figure, File, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.dots import Group, Mark, dots
from reports.evidence.common import Column, axis_title, cannot, caption, counting, csv_file, figure_head, keys, n_text
from reports.source import Answer
from reports.words import Words, capital, count, counts_events, group_title, groups_title, is_percent, plain, series


def order(words: Words, answer: Answer, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows in the order a reader expects: the mouth's, the calendar's or the settings' order; never by rank."""
    ranks = {
        "tooth_type": ["incisor", "canine", "premolar", "molar"],
        "tooth_group": ["anterior", "premolar", "molar"],
        "arch": ["upper", "lower"],
        "motion": ["hand", "rotation", "reciprocation", "mixed", "ultrasonic"],
        "curvature_class": ["straight", "moderate", "severe"],
        "sequence": words.sequences,
    }

    def key(row: Mapping[str, Any]) -> list[tuple[bool, Any, str]]:
        out = []
        for by in answer.by:
            value = row.get(by)
            places = ranks.get(by, [])
            is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
            rank = places.index(value) if value in places else value if is_number else len(places)
            out.append((value is None or value == "mixed", rank, str(value)))
        return out

    return sorted(rows, key=key)


def by_group(
    words: Words,
    id: str,
    answer: Answer,
    *,
    title: str = "",
    beside: Answer | None = None,
    names: tuple[str, str] = ("", ""),
    chart: bool = True,
    extra: Sequence[Column] = (),
    what: str = "",
    by_words: str = "",
) -> list[Part]:
    """Dots with intervals by group and their table; `beside` is the same measure for another period, drawn below.

    `names` says which period is which; `extra` adds columns (heading, text of a row).
    """
    if answer.missing:
        return [cannot(answer)]
    beside = beside if beside and beside.rows else None
    by_words = by_words or groups_title(answer.by)
    rows = order(words, answer, answer.rows)
    if not rows:
        return [prose(f"{what or answer.title} {by_words}: nothing to count in this period.")]
    places = words.decimals(answer.result)
    name = what or answer.title

    def other(row: dict[str, Any]) -> dict[str, Any] | None:
        return beside.find(**{b: row.get(b) for b in answer.by}) if beside else None

    percent = is_percent(answer.result)
    events = counts_events(answer.result) and bool(answer.measure.numerator)
    groups, lines = [], []
    for row in rows:
        label = words.group(row, answer.by)
        marks = [_mark(words, answer, row, places, 0)]
        cells = [label, words.with_interval(answer.result, row, places)]
        cells += [n_text(row)] if beside or not events else [_events(row), n_text(row)]
        if beside:
            second = other(row)
            if second:
                marks.append(_mark(words, answer, second, places, 1))
            cells += [words.with_interval(answer.result, second, places) if second else "none", n_text(second or {})]
        groups.append(Group(label, tuple(marks), keys(answer, row)))
        cells += [text(row) for _, text in extra]
        lines.append(Line(tuple(cells), answer.data(row)))

    parts: list[Part] = []
    head = f"{name} {by_words}, {names[0]}" if names[0] else f"{name} {by_words}"
    message = title or _message(words, answer, head, places)
    shown = [m for g in groups for m in g.marks if m.value is not None]
    if chart and shown:
        bounds = (0.0, 1.0) if percent else None
        wide, narrow = theme.both(
            lambda width: dots(
                groups,
                width,
                axis=axis_title(answer, name),
                series=names if beside else (),
                bounds=bounds,
                zero=counts_events(answer.result),
                percent=percent,
            )
        )
        said = [f"{g.label}: {_said(g, names if beside else ())}" for g in groups]
        parts.append(
            Figure(
                id=id,
                title=message,
                alt=f"{message}. {'; '.join(said)}.",
                wide=wide,
                narrow=narrow,
                caption=caption(words, answer),
                data=answer.data(),
            )
        )
    head = figure_head(words, answer)
    heads = [capital(series([group_title(b) for b in answer.by]))]
    if beside:
        heads += [f"{capital(names[0])}: {head}", "n", f"{capital(names[1])}: {head}", "n"]
    else:
        heads += [head, *([capital(plain(answer.measure.numerator)), "Of"] if events else ["n"])]
    heads += [head for head, _ in extra]
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"{name} {by_words}",
            heads=tuple(heads),
            lines=tuple(lines),
            numeric=frozenset(range(1, len(heads))),
            data=answer.data(),
            note=counting(answer),
            file=csv_file(id, answer),
            folded=len(lines) > 10,
        )
    )
    if beside and beside.rows:
        parts[-1] = _with_files(parts[-1], beside, id)
    return parts


def _with_files(table: Part, beside: Answer, id: str) -> Table:
    """The table with the rows of both periods in its file, each marked with its period."""
    assert isinstance(table, Table) and table.file
    first = [{"from": table.data.get("from"), "to": table.data.get("to"), **row} for row in table.file.rows]
    second = [{"from": beside.start, "to": beside.end, **row} for row in beside.rows]
    columns = ("from", "to", *table.file.columns)
    return Table(**{**table.__dict__, "file": File(id, columns, [*first, *second])})


def _mark(words: Words, answer: Answer, row: dict[str, Any], places: int, which: int) -> Mark:
    text = words.with_n(answer.result, row, places)
    if row.get("too_few") or row.get("estimate") is None:
        return Mark(None, None, None, text, which)
    return Mark(row["estimate"], row.get("low"), row.get("high"), text, which)


def _events(row: Mapping[str, Any]) -> str:
    return "\u2013" if row.get("events") is None else count(row["events"])


def _said(group: Group, names: Sequence[str]) -> str:
    return ", ".join(f"{names[m.series]} {m.text}" if names else m.text for m in group.marks)


def _message(words: Words, answer: Answer, head: str, places: int) -> str:
    """What the chart shows, as its title: the span of the groups' figures.

    Units whose group is not recorded, or mixed, are drawn too, but are no group of which the title could speak.
    """
    shown = [row for row in answer.shown if not {None, "mixed"}.intersection(row.get(b) for b in answer.by)]
    if len(shown) < 2 or "dentist" in answer.by:
        return head
    low = min(shown, key=lambda r: r["estimate"])
    high = max(shown, key=lambda r: r["estimate"])
    texts = [words.figure(answer.result, r["estimate"], places) for r in (low, high)]
    if texts[0] == texts[1]:
        return f"{head}: {texts[0]} in every group shown"
    return f"{head}: {texts[0]} ({words.group(low, answer.by)}) to {texts[1]} ({words.group(high, answer.by)})"
