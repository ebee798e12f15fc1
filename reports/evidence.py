"""From answers to parts of a page: each function lays one kind of result out as chart, table and the words beside it.

Figures come from measures; what happens here is choosing, ordering and wording.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from reports.blocks import Figure, File, Items, Line, Part, Prose, Sentence, Table, prose
from reports.charts import theme
from reports.charts.compare import Difference, compare
from reports.charts.dots import Group, Mark, dots
from reports.charts.fdi_grid import LOWER, UPPER, Tooth, fdi_grid
from reports.charts.individuals import Limits, Point, individuals
from reports.charts.quarantine import bars
from reports.charts.survival import Curve, Step, Use, hazard, survival
from reports.series import Series
from reports.source import Answer
from reports.words import (
    TOO_FEW,
    Words,
    capital,
    count,
    counted,
    group_title,
    groups_title,
    is_percent,
    plain,
    points,
    series,
    short_month,
)

Column = tuple[str, Callable[[dict[str, Any]], str]]  # a heading, and the text of a row

MOST_RECORDS = 400  # rows of a record list on a page; the CSV file holds all


# ---- what every kind of result shares ---------------------------------------------------------------------------


def axis_title(answer: Answer, what: str = "") -> str:
    """What a chart's axis measures, and in which unit."""
    result = answer.result
    unit = plain(result.unit)
    middle = {"time": "median, ", "amount": "mean, "}.get(result.kind, "")
    title = what or answer.title
    if is_percent(result) or result.kind in {"rate", "share"}:
        return title
    return f"{title}, {middle}{unit}"


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
    words = plain(answer.measure.denominator or "") if answer.measure else ""
    return " ".join(t for t in (f"n: {words}." if words else "", left_out(answer)) if t)


def csv_file(name: str, answer: Answer, hide: Iterable[str] = ()) -> File:
    """All rows of an answer as they came."""
    columns: dict[str, None] = dict.fromkeys(answer.by)
    for row in answer.rows:
        columns |= dict.fromkeys(row)
    hidden = set(hide) | _NEVER
    return File(name, tuple(c for c in columns if c not in hidden), answer.rows)


def published(answer: Answer) -> list[Part]:
    """Published figures as context: never a target, their differences in words."""
    entries = list(answer.measure.published or ()) if answer.measure else []
    if not entries or not answer.result:
        return []
    lines = []
    for entry in entries:
        row = {"estimate": entry.value, "low": entry.low, "high": entry.high, "n": entry.n}
        figure = Words().with_interval(_Shape(answer.result, [row]), row)
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


class _Shape:
    """Rows with the kind and unit of a result, for formatting figures that are not the practice's own."""

    def __init__(self, result: Any, rows: list[dict[str, Any]]):
        self.kind, self.unit, self.rows = result.kind, result.unit, rows


def slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


# ---- one figure -------------------------------------------------------------------------------------------------


def single(words: Words, answer: Answer, what: str = "", period: str = "") -> Sentence:
    """One figure as a sentence: `Chair time per visit, October 2026: 47 min (95% interval 44 to 51, n 212).`"""
    row = answer.rows[0] if answer.rows else None
    name = what or answer.title
    head = f"{name}, {period}" if period else name
    if answer.missing:
        return Sentence(f"{name} cannot be computed: {series(answer.missing)}.", data={"measure": answer.name})
    if row is None or (row.get("estimate") is None and not row.get("too_few")):
        return Sentence(f"{head}: no figure, nothing to count.", data=answer.data(row))
    return Sentence(f"{head}: {words.full(answer.result, row, answer.measure)}.", data=answer.data(row))


def overview(
    words: Words, id: str, caption: str, periods: Sequence[str], asked: Sequence[Sequence[Answer]]
) -> list[Part]:
    """Several measures, one a row, over several periods, one a column; every cell is a figure of its own."""
    lines, rows, missing = [], [], []
    for answers in asked:
        if answers[0].missing:
            missing.append(cannot(answers[0]))
            continue
        cells = []
        for period, answer in zip(periods, answers, strict=True):
            row = answer.rows[0] if answer.rows else None
            text = words.with_interval(answer.result, row) if row else "none"
            if row and not row.get("too_few"):
                text += f", n\u00a0{_n(row)}"
                if row.get("events") is not None:
                    text = f"{words.with_interval(answer.result, row)}, {count(row['events'])} of {_n(row)}"
            cells.append(Sentence(text, data=answer.data(row)))
            rows.append(
                {"measure": answer.name, "period": period, "from": answer.start, "to": answer.end, **(row or {})}
            )
        lines.append(Line((answers[0].title + _unit_note(words, answers[0]), *cells)))
    columns = dict.fromkeys(k for row in rows for k in row)
    table = Table(
        id=id,
        caption=f"{caption}; in brackets {words.interval}s",
        heads=("Measure", *(capital(p) for p in periods)),
        lines=tuple(lines),
        numeric=frozenset(range(1, len(periods) + 1)),
        records=True,
        file=File(id, tuple(columns), rows),
    )
    return [*([table] if lines else []), *missing]


def _unit_note(words: Words, answer: Answer) -> str:
    """What kind of middle a figure is, where the measure's title does not say it."""
    return {"time": ", median", "amount": ", mean"}.get(answer.result.kind, "")


# ---- by group ---------------------------------------------------------------------------------------------------


def order(words: Words, answer: Answer, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows in the order a reader expects: the mouth's for teeth, the clock's for months, names otherwise; never by rank."""
    ranks = {
        "tooth_type": ["incisor", "canine", "premolar", "molar"],
        "tooth_group": ["anterior", "premolar", "molar"],
        "arch": ["upper", "lower"],
        "motion": ["hand", "rotation", "reciprocation"],
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
) -> list[Part]:
    """Dots with intervals by group and their table; `beside` is the same measure for another period, drawn below.

    `names` says which period is which; `extra` adds columns (heading, text of a row).
    """
    if answer.missing:
        return [cannot(answer)]
    rows = order(words, answer, answer.rows)
    if not rows:
        return [prose(f"{what or answer.title} {groups_title(answer.by)}: nothing to count in this period.")]
    places = words.decimals(answer.result)
    name = what or answer.title

    def other(row: dict[str, Any]) -> dict[str, Any] | None:
        return beside.find(**{b: row.get(b) for b in answer.by}) if beside else None

    percent = is_percent(answer.result)
    events = answer.result.kind in {"share", "rate"} and bool(answer.measure.numerator)
    groups, lines = [], []
    for row in rows:
        label = words.group(row, answer.by)
        marks = [_mark(words, answer, row, places, 0)]
        cells = [label, words.with_interval(answer.result, row, places)]
        cells += [_n(row)] if beside or not events else [_events(row), _n(row)]
        if beside:
            second = other(row)
            if second:
                marks.append(_mark(words, answer, second, places, 1))
            cells += [words.with_interval(answer.result, second, places) if second else "none", _n(second or {})]
        groups.append(Group(label, tuple(marks)))
        cells += [text(row) for _, text in extra]
        lines.append(Line(tuple(cells), answer.data(row)))

    parts: list[Part] = []
    message = title or _message(words, answer, name, places)
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
                zero=answer.result.kind in {"rate", "share"},
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
                caption=_caption(words, answer),
                data=answer.data(),
            )
        )
    figure_head = _figure_head(words, answer)
    heads = [capital(series([group_title(b) for b in answer.by]))]
    if beside:
        heads += [f"{capital(names[0])}: {figure_head}", "n", f"{capital(names[1])}: {figure_head}", "n"]
    else:
        heads += [figure_head, *([capital(plain(answer.measure.numerator)), "Of"] if events else ["n"])]
    heads += [head for head, _ in extra]
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"{name} {groups_title(answer.by)}",
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


def _n(row: Mapping[str, Any]) -> str:
    n = row.get("exposure") or row.get("n")
    return "\u2013" if n is None or row.get("too_few") else count(n)


def _message(words: Words, answer: Answer, name: str, places: int) -> str:
    """What the chart shows, as its title: the span of the groups' figures."""
    head = f"{name} {groups_title(answer.by)}"
    shown = answer.shown
    if len(shown) < 2 or "dentist" in answer.by:
        return head
    low = min(shown, key=lambda r: r["estimate"])
    high = max(shown, key=lambda r: r["estimate"])
    texts = [words.figure(answer.result, r["estimate"], places) for r in (low, high)]
    if texts[0] == texts[1]:
        return f"{head}: {texts[0]} in every group shown"
    return f"{head}: {texts[0]} ({words.group(low, answer.by)}) to {texts[1]} ({words.group(high, answer.by)})"


def _figure_head(words: Words, answer: Answer) -> str:
    kind, unit = answer.result.kind, plain(answer.result.unit)
    if is_percent(answer.result):
        head = "Share"
    elif kind in {"rate", "share"}:
        head = capital(unit)
    else:
        head = {"time": "Median", "amount": "Mean"}.get(kind, "Figure")
        head += f", {unit}" if kind == "amount" and not words.is_money(answer.result) else ""
    return f"{head} ({words.interval})"


def _caption(words: Words, answer: Answer) -> str:
    """The measure's own caption, with what the bars mean."""
    own = plain(answer.measure.caption or "") if answer.measure else ""
    return " ".join(t for t in (own, f"Bars are {words.interval}s.") if t)


# ---- months -----------------------------------------------------------------------------------------------------


def months(words: Words, id: str, answer: Answer, months_series: Series | None, what: str = "") -> list[Part]:
    """The individuals chart of a monthly series and its table."""
    if answer.missing:
        return [cannot(answer)]
    name = what or answer.title
    if months_series is None or not months_series.known:
        return [prose(f"{name} by month: too few months with figures for a chart.")]
    places = words.decimals(answer.result)

    def figure(value: float) -> str:
        return words.figure(answer.result, value, places)

    s = months_series
    listed = [Point(i, short_month(m), s.values[i], s.signal_at(i) is not None) for i, m in enumerate(s.months)]
    signals = [f"{short_month(m)} {s.signal_at(i)}" for i, m in enumerate(s.months) if s.signal_at(i)]
    latest = s.months[-1]
    value = s.values[-1]
    head = f"{name}, {short_month(s.months[0])} to {short_month(latest)}"
    if signals or s.signals:
        message = f"{head}: {series(signals or [*s.signals[:1]])}"
    else:
        message = f"{head}: no month stands out"
    parts: list[Part] = []
    if s.centre is not None and len(s.known) > 1:
        limits = Limits(
            (s.centre, f"Mean {figure(s.centre)}"),
            (s.low, f"Lower limit {figure(s.low)}") if s.low is not None else None,
            (s.high, f"Upper limit {figure(s.high)}") if s.high is not None else None,
        )
        wide, narrow = theme.both(
            lambda width: individuals(listed, limits, width, axis=f"{axis_title(answer, name)}, by month")
        )
        bounds = [figure(v) for v in (s.low, s.high) if v is not None]
        said = f"{short_month(latest)}: {figure(value)}. " if value is not None else ""
        parts.append(
            Figure(
                id=id,
                title=message,
                alt=f"{message}. {said}Mean of the months {figure(s.centre)}"
                + (
                    f", limits {' to '.join(bounds)}"
                    if len(bounds) == 2
                    else f", upper limit {bounds[-1]}"
                    if bounds
                    else ""
                )
                + ".",
                wide=wide,
                narrow=narrow,
                caption=" ".join([*(f"{capital(t)}." for t in s.signals if signals), s.note]),
                data=answer.data(),
            )
        )
    lines = []
    for i, m in enumerate(s.months):
        row = answer.find(month=m)
        cells = (
            words.value("month", m),
            words.with_interval(answer.result, row, places) if row else "none",
            _n(row or {}),
            s.signal_at(i) or "",
        )
        lines.append(Line(cells, answer.data(row) if row else {}))
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"{name} by month",
            heads=("Month", _figure_head(words, answer), "n", "Signal"),
            lines=tuple(reversed(lines)),
            numeric=frozenset({1, 2}),
            data=answer.data(),
            folded=True,
            note=counting(answer),
            file=csv_file(id, answer),
        )
    )
    return parts


# ---- survival ---------------------------------------------------------------------------------------------------


def survive(
    words: Words, id: str, answer: Answer, *, share: str, axis: str, unit: str, at: Sequence[float], event: str
) -> list[Part]:
    """Survival in steps, by the answer's groups; `at` are the times that the text and the key name."""
    if answer.missing:
        return [cannot(answer)]
    curves, lines, said, none = [], [], [], []
    shown = [row["estimate"] for row in answer.shown if row["time"]]
    places = 1 if shown and max(shown) > 0.95 else 0
    for label, rows in _by_group(words, answer):
        first = rows[0]
        own = (label,) if answer.by else ()
        if first.get("too_few"):
            lines.append(Line((*own, "\u2013", TOO_FEW, "\u2013"), answer.data(first)))
            continue
        n = first["n"]
        rows = [row for row in rows if row["at_risk"] >= FEWEST_FOLLOWED] or rows[:1]
        if not sum(row["events"] for row in rows):
            none.append(f"{label}: no {event} among {count(n)}" if answer.by else f"No {event} among {count(n)}")
            lines.append(Line((*own, "\u2013", f"no {event} seen", "0"), answer.data(first)))
            continue
        steps = tuple(_step(row) for row in rows)
        end = rows[-1]["time"]
        reached = [t for t in at if t <= end] or [end]
        stated = _at(rows, reached[-1])
        shape = _Shape(answer.result, [stated])
        text = f"{words.with_interval(shape, stated, places)} at {count(round(reached[-1]))} {unit}, n\u00a0{count(n)}"
        said.append(f"{label}: {text}" if answer.by else text)
        bar = _step({**stated, "time": reached[-1]})
        curves.append(Curve(label, text, steps, end, bar, _few(rows)))
        for t in reached:
            row = _at(rows, t)
            so_far = sum(r["events"] for r in rows if r["time"] <= t)
            lines.append(
                Line((*own, count(round(t)), words.with_interval(shape, row, places), count(so_far)), answer.data(row))
            )
    parts: list[Part] = []
    if curves:
        lowest = min((s.low if s.low is not None else s.estimate) for c in curves for s in (*c.steps, c.stated) if s)
        if len(curves) > 2:
            lowest = min(
                [c.stated.low for c in curves if c.stated and c.stated.low is not None]
                + [c.steps[-1].estimate for c in curves]
            )
        floor = max(0.0, int(lowest * 10) / 10)
        wide, narrow = theme.both(lambda width: survival(curves[:6], width, axis=axis, share=share, lowest=floor))
        title = f"{share}: {said[0]}" if len(said) == 1 else f"{share}, {groups_title(answer.by)}"
        drawn = "Shaded bands are" if len(curves) < 3 else "Upright bars are"
        bands = f"{drawn} {words.interval}s. Curves end where fewer than {FEWEST_FOLLOWED} are still followed."
        parts.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. {'; '.join(said)}.",
                wide=wide,
                narrow=narrow,
                caption=" ".join(t for t in (plain(answer.measure.caption or ""), bands) if t),
                data=answer.data(),
            )
        )
    if none:
        parts.append(prose(f"{'; '.join(none)}. None seen is not none to come."))
    if lines:
        groups = (capital(series([group_title(b) for b in answer.by])),) if answer.by else ()
        parts.append(
            Table(
                id=f"{id}-table",
                caption=f"{share}, {groups_title(answer.by)}" if answer.by else share,
                heads=(*groups, f"After, {unit}", f"{share} ({words.interval})", f"{capital(event)}s until then"),
                lines=tuple(lines),
                numeric=frozenset(range(1, 4)),
                data=answer.data(),
                note=counting(answer),
                file=csv_file(id, answer),
                folded=len(lines) > 10,
            )
        )
    return parts


FEWEST_FOLLOWED = 10  # a survival curve is not drawn beyond; statistics texts advise 5 to 10 (common practice)


def _step(row: Mapping[str, Any]) -> Step:
    return Step(row["time"], row["at_risk"], row["estimate"], _real(row.get("low")), _real(row.get("high")))


def _by_group(words: Words, answer: Answer) -> list[tuple[str, list[dict[str, Any]]]]:
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in order(words, answer, answer.rows):
        groups.setdefault(tuple(row.get(b) for b in answer.by), []).append(row)
    return [
        (words.group(rows[0], answer.by), sorted(rows, key=lambda r: r.get("time") or 0)) for rows in groups.values()
    ]


def _at(rows: Sequence[dict[str, Any]], time: float) -> dict[str, Any]:
    """The step that holds at a time, marked with the time asked for."""
    return {**[row for row in rows if row["time"] <= time][-1], "asked": time}


def _few(rows: Sequence[dict[str, Any]], most: int = 5) -> tuple[tuple[float, int], ...]:
    """Numbers at risk at some of the event times, spread over the axis so that they do not touch."""
    end = rows[-1]["time"] or 1
    kept: list[tuple[float, int]] = []
    for row in rows:
        if not kept or row["time"] - kept[-1][0] >= end / most:
            kept.append((row["time"], row["at_risk"]))
    return tuple(kept)


def _real(value: float | None) -> float | None:
    return None if value is None or value != value else value


FEWEST_AT_USE = 30  # fewer make an interval so wide that it hides the others; they stand in the table


def hazard_by_use(words: Words, id: str, answer: Answer, *, share: str, axis: str) -> list[Part]:
    """Hazard by use number from a survival answer over uses: events of those that came to the use, Wilson interval."""
    from pipeline.stats.proportions import wilson

    if answer.missing:
        return []
    rows = [r for r in answer.rows if r.get("events") and r.get("time") and r.get("at_risk")]
    if not rows:
        return []
    low, high = wilson([r["events"] for r in rows], [r["at_risk"] for r in rows], words.confidence)
    uses = [
        Use(int(r["time"]), r["at_risk"], r["events"] / r["at_risk"], float(lo), float(hi))
        for r, lo, hi in zip(rows, low, high, strict=True)
    ]
    shape = _Shape(answer.result, [{"estimate": u.estimate, "low": u.low, "high": u.high} for u in uses])
    drawn = [u for u in uses if u.n >= FEWEST_AT_USE] or uses
    worst = max(drawn, key=lambda u: u.low)

    def text(u: Use) -> str:
        return words.with_interval(shape, {"estimate": u.estimate, "low": u.low, "high": u.high}, 1)

    title = f"{share}, by use number: {text(worst)} at use {worst.number}, where the lower bound is highest"
    wide, narrow = theme.both(lambda width: hazard(drawn, width, axis=axis, share=share))
    lines = tuple(
        Line(
            (str(u.number), count(u.n), count(r["events"]), text(u)),
            {**answer.data(r), "estimate": repr(u.estimate), "low": repr(u.low), "high": repr(u.high)},
        )
        for u, r in zip(uses, rows, strict=True)
    )
    file_rows = [
        {"use": u.number, "at_risk": u.n, "events": r["events"], "hazard": u.estimate, "low": u.low, "high": u.high}
        for u, r in zip(uses, rows, strict=True)
    ]
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. " + "; ".join(f"use {u.number}: {text(u)}, {count(u.n)} came to it" for u in uses) + ".",
            wide=wide,
            narrow=narrow,
            caption=f"Of the instruments that came to a use, the share whose life ended in it. Bars are {words.interval}s. "
            f"Use numbers without an event, or reached by fewer than {FEWEST_AT_USE}, are not drawn.",
            data=answer.data(),
        ),
        Table(
            id=f"{id}-table",
            caption=share + ", by use number",
            heads=("Use", "Came to it", "Ended in it", f"Share ({words.interval})"),
            lines=lines,
            numeric=frozenset({0, 1, 2, 3}),
            data=answer.data(),
            file=File(id, ("use", "at_risk", "events", "hazard", "low", "high"), file_rows),
            folded=len(lines) > 10,
        ),
    ]


# ---- comparison -------------------------------------------------------------------------------------------------


def compared(words: Words, id: str, answer: Answer, conclusions: Sequence[Sentence], whose: str) -> list[Part]:
    """Crude and adjusted side by side, the sentence that may be concluded, and the table."""
    if answer.missing:
        return [cannot(answer)]
    if not answer.rows:
        return [prose(f"Comparison of sequences, {whose}: fewer than two sequences with outcomes to compare.")]
    differences, lines, said = [], [], []
    for row in answer.rows:
        label = pair(words, row)
        crude = tuple(_percent(row.get(k)) for k in ("crude_difference", "crude_low", "crude_high"))
        adjusted = tuple(_percent(row.get(k)) for k in ("estimate", "low", "high"))
        texts = difference_text(row, "crude_difference", "crude_low", "crude_high"), difference_text(row)
        if row.get("too_few"):
            lines.append(Line((label, TOO_FEW, TOO_FEW, "\u2013", "\u2013"), answer.data(row)))
            continue
        differences.append(Difference(label, crude, texts[0], adjusted, texts[1]))  # type: ignore[arg-type]
        said.append(f"{label}: crude {texts[0]}, adjusted {texts[1]}")
        sides = f"{_of(row.get('events'), row.get('n'))}; {_of(row.get('events_reference'), row.get('n_reference'))}"
        least = row.get("smallest_difference")
        lines.append(
            Line(
                (label, texts[0], texts[1], sides, points(least).lstrip("+") if least is not None else "\u2013"),
                answer.data(row),
            )
        )
    parts: list[Part] = []
    if any(d.crude[0] is not None or d.adjusted[0] is not None for d in differences):
        axis = "Difference in healed share, percentage points; right of the line: more healed with the first named"
        wide, narrow = theme.both(lambda width: compare(differences, width, axis=axis))
        title = f"Healed share between sequences, {whose}: crude and adjusted differences"
        parts.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. {'; '.join(said)}.",
                wide=wide,
                narrow=narrow,
                caption=" ".join(
                    t
                    for t in (
                        plain(answer.measure.caption or ""),
                        f"Crude: as it stands. Adjusted: among like cases. Bars are {words.interval}s.",
                    )
                    if t
                ),
                data=answer.data(),
            )
        )
    if conclusions:
        parts.append(Items(tuple(conclusions), heading=f"What may be said, {whose}"))
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"Comparison of sequences, {whose}: difference in healed share, percentage points",
            heads=(
                "First against second",
                f"Crude ({words.interval})",
                f"Adjusted ({words.interval})",
                "Healed of n, first; second",
                "Smallest difference that would show",
            ),
            lines=tuple(lines),
            numeric=frozenset({1, 2, 3, 4}),
            data=answer.data(),
            records=True,
            note=counting(answer),
            file=csv_file(id, answer),
        )
    )
    return parts


def pair(words: Words, row: Mapping[str, Any]) -> str:
    """`A against B`."""
    return f"{words.value('sequence', row.get('sequence'))} against {words.value('sequence', row.get('reference'))}"


def difference_text(row: Mapping[str, Any], value: str = "estimate", low: str = "low", high: str = "high") -> str:
    """`+3.0 points (-2.0 to +8.0)`."""
    if row.get("too_few"):
        return TOO_FEW
    if row.get(value) is None:
        return "no figure"
    bounds = ""
    if row.get(low) is not None and row.get(high) is not None:
        bounds = f" ({points(row[low])}\u00a0to\u00a0{points(row[high])})"
    return f"{points(row[value])} points{bounds}"


def _percent(value: float | None) -> float | None:
    return None if value is None else value * 100


def _of(events: Any, n: Any) -> str:
    return "\u2013" if events is None or n is None else f"{count(events)} of {count(n)}"


# ---- teeth ------------------------------------------------------------------------------------------------------


def teeth(words: Words, id: str, answer: Answer, *, what: str) -> list[Part]:
    """The grid of teeth with events of n in each field, and its table."""
    if answer.missing:
        return [cannot(answer)]
    rows = {code: row for row in answer.rows if (code := _code(row.get("tooth"))) is not None}
    if not rows:
        return [prose(f"{what} by tooth: nothing to count.")]
    most = max((row.get("low") or 0 for row in rows.values() if not row.get("too_few")), default=0)
    fields = {}
    for code in (*UPPER, *LOWER):
        row = rows.get(code)
        if row is None:
            continue
        if row.get("too_few"):
            fields[code] = Tooth("few", None)
        else:
            share = (row.get("low") or 0) / most if most else 0.0
            fields[code] = Tooth(f"{row.get('events') or 0}/{row.get('n') or 0}", share)
    with_events = [c for c in sorted(rows) if rows[c].get("events")]
    total = sum(rows[c]["events"] for c in with_events)
    named = ", ".join(f"{c}: {rows[c]['events']} of {rows[c].get('n')}" for c in with_events)
    title = (
        f"{what} by tooth: {count(total)}, in {counted(len(with_events), 'tooth', 'teeth')} of the {count(len(rows))} treated positions"
        if with_events
        else f"{what} by tooth: none in the tooth positions shown"
    )
    key = "Separations / teeth treated"
    wide, narrow = theme.both(lambda width: fdi_grid(fields, width, key=key))
    places = words.decimals(answer.result)
    lines = tuple(
        Line(
            (
                str(code),
                TOO_FEW if rows[code].get("too_few") else count(rows[code].get("events") or 0),
                _n(rows[code]),
                words.with_interval(answer.result, rows[code], places),
            ),
            answer.data(rows[code]),
        )
        for code in sorted(rows)
    )
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. {named}." if named else f"{title}.",
            wide=wide,
            narrow=narrow,
            caption="Tooth codes are FDI (ISO 3950). The deeper the shade, the higher the lower bound of the rate, so that few "
            "teeth do not shade deeply. An empty field: no tooth treated. few: too few to show.",
            data=answer.data(),
        ),
        Table(
            id=f"{id}-table",
            caption=f"{what} by tooth",
            heads=("Tooth", "Events", "Teeth treated", _figure_head(words, answer)),
            lines=lines,
            numeric=frozenset({1, 2, 3}),
            data=answer.data(),
            folded=True,
            file=csv_file(id, answer),
        ),
    ]


def _code(value: Any) -> int | None:
    text = str(value)
    return int(text) if text.isdigit() else None


# ---- lists ------------------------------------------------------------------------------------------------------

_NEVER = frozenset({"patient", "patient_id", "birth_year", "cluster"})


def plain_column(words: Words, head: str, name: str) -> Column:
    """A column of a record list that shows one field."""
    return (
        head,
        lambda row: words.value(name, row[name]) if name in _GROUPED and row.get(name) else words.cell(row.get(name)),
    )


_GROUPED = frozenset({"sequence", "tooth_type", "tooth_group", "kind", "motion"})


def records(
    id: str,
    answer: Answer,
    columns: Sequence[Column],
    *,
    caption: str,
    empty: str,
    hide: Iterable[str] = (),
    open_rows: int = 25,
    numeric: Iterable[int] = (),
    note: str = "",
) -> list[Part]:
    """A list of records, one a line, in the measure's own order; patient identity never among the columns.

    The first `open_rows` lie open, the next fold away, and the file holds all with every column but `hide`.
    """
    if answer.missing:
        return [cannot(answer)]
    rows = answer.rows
    if not rows:
        return [prose(empty)]
    shown = rows[:MOST_RECORDS]
    lines = [Line(tuple(text(row) for _, text in columns)) for row in shown]
    heads = tuple(head for head, _ in columns)
    hidden = _NEVER | set(hide)
    file = File(id, tuple(k for k in rows[0] if k not in hidden), rows)
    data = {**answer.data(), "n": str(len(rows))}
    parts: list[Part] = []
    rest = len(rows) - open_rows
    said = note
    if rest > 0:
        said = f"{note} The first {open_rows} of {count(len(rows))}.".strip()
    if len(rows) > len(shown):
        said += f" This page shows {count(len(shown))} of them; the file has all."
    parts.append(
        Table(
            id=f"{id}-table",
            caption=caption,
            heads=heads,
            numeric=frozenset(numeric),
            lines=tuple(lines[:open_rows]),
            records=True,
            data=data,
            note=said,
            file=file,
        )
    )
    if rest > 0:
        more = Table(
            id=f"{id}-more",
            caption=f"{caption}, the next {count(len(shown) - open_rows)}",
            summary=f"The next {count(len(shown) - open_rows)}",
            heads=heads,
            numeric=frozenset(numeric),
            lines=tuple(lines[open_rows:]),
            records=True,
            data=answer.data(),
            folded=True,
        )
        parts.append(more)
    return parts


def kind_words(kind: object) -> str:
    """A record kind as a reader writes it."""
    return capital(plain(kind).replace("_", " "))


def refused(words: Words, id: str, answer: Answer) -> list[Part]:
    """Bars of the reasons why records were refused, and their table."""
    if answer.missing:
        return [cannot(answer)]
    rows = [r for r in answer.rows if r.get("rows_refused")]
    if not rows:
        return [prose("No record waits in quarantine: every row read was taken in.")]
    counts = [(f"{kind_words(r['record_kind'])}: {plain(r['reason']).rstrip('.')}", r["rows_refused"]) for r in rows]
    total = sum(n for _, n in counts)
    title = f"{counted(total, 'refusal')} in quarantine; most often: {counts[0][0]} ({count(counts[0][1])})"
    top = counts[:10]
    wide, narrow = theme.both(lambda width: bars(top, width, axis="Rows refused"))
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. " + "; ".join(f"{reason}: {count(n)}" for reason, n in top) + ".",
            wide=wide,
            narrow=narrow,
            caption="Refused rows count in no figure of this page until they are mended; one refused for two reasons stands in both."
            + (f" The ten most frequent of {len(counts)} reasons." if len(counts) > 10 else ""),
            data=answer.data(),
        ),
        Table(
            id=f"{id}-table",
            caption="Rows in quarantine by reason",
            heads=("Reason", "Rows"),
            lines=tuple(Line((reason, count(n)), {"measure": answer.name, "n": str(n)}) for reason, n in counts),
            numeric=frozenset({1}),
            data=answer.data(),
            file=csv_file(id, answer),
            folded=len(counts) > 6,
        ),
    ]
