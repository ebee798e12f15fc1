"""A dentist's own way of working: learning over cases, times after case mix, and a quiet table of shares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from pipeline.measures.kinds.standards import verdict
from pipeline.output.text import plain
from reports.blocks import Figure, File, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.learning import Panel, Stage, learning
from reports.evidence.common import Shape, cannot, counting, csv_file, keys, published
from reports.evidence.comparison import pair
from reports.evidence.groups import order
from reports.source import Answer
from reports.words import TOO_FEW, Words, capital, count, number


def learned(words: Words, id: str, answer: Answer) -> list[Part]:
    """Time of the first cases with each sequence, ten by ten, beside that of the later ones."""
    if answer.missing:
        return [cannot(answer)]
    groups: dict[str, list[dict[str, Any]]] = {}
    for row in answer.shown:
        groups.setdefault(row["sequence"], []).append(row)
    if not groups:
        return [prose(f"{answer.title}: no sequence with 60 own cases or more.")]
    by_sequence = replace(answer, by=("sequence",))  # its rows always come by sequence
    panels, lines = [], []
    for first in order(words, by_sequence, [rows[0] for rows in groups.values()]):
        label = words.value("sequence", first["sequence"])
        stages = []
        for row in groups[first["sequence"]]:
            name = row["cases"].replace("-", " to ")
            text = words.with_interval(answer.result, row)
            tip = f"{label}, cases {name}: {text} times the later cases, n\u00a0{count(row['n'])}"
            stages.append(Stage(name, row["estimate"], row.get("low"), row.get("high"), tip))
            minutes = number(row["median"], 1), number(row["plateau_median"], 1)
            cells = (label, name, text, minutes[0], count(row["n"]), minutes[1], count(row["n_reference"]))
            lines.append(Line(cells, answer.data(row)))
        later = f"later cases {number(first['plateau_median'], 1)} min (n\u00a0{count(first['n_reference'])})"
        panels.append(Panel(label, later, tuple(stages), keys(by_sequence, first)))
    ratios = [row["estimate"] for rows in groups.values() for row in rows]
    span = [words.figure(answer.result, f(ratios)) for f in (min, max)]
    title = f"First own cases with a sequence, ten by ten: {span[0]} to {span[1]} times the time of the later cases"
    wide, narrow = theme.both(
        lambda width: learning(
            panels,
            width,
            axis="Own cases with the sequence, in order",
            ratio="Chair time per canal over that of the later cases; 1: as fast as later",
        )
    )
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. " + "; ".join(s.text for p in panels for s in p.stages) + ".",
            wide=wide,
            narrow=narrow,
            caption=f"{plain(answer.measure.caption or '')} Bars are {words.interval}s.",
            data=answer.data(),
        ),
        Table(
            id=f"{id}-table",
            caption="Chair time per canal in the first own cases with a sequence, against the later cases",
            heads=(
                "Sequence",
                "Cases",
                f"Ratio ({words.interval})",
                "Median, minutes",
                "n",
                "Later cases: median, minutes",
                "n",
            ),
            lines=tuple(lines),
            numeric=frozenset({2, 3, 4, 5, 6}),
            data=answer.data(),
            folded=True,
            note=counting(answer),
            file=csv_file(id, answer),
        ),
    ]


def adjusted_times(words: Words, id: str, answer: Answer) -> list[Part]:
    """Chair time per canal of each sequence over that of the most used one, crude and after case mix."""
    if answer.missing:
        return [cannot(answer)]
    known = [row for row in answer.rows if row.get("sequence") is not None]  # canals without one are no group of cases
    if not known:
        return [prose(f"{answer.title}: fewer than two sequences to compare.")]
    lines = []
    for row in known:
        label = pair(words, row)
        if row.get("too_few"):
            lines.append(Line((label, TOO_FEW, TOO_FEW, "\u2013", "\u2013"), answer.data(row)))
            continue
        crude = {"estimate": row["crude_ratio"], "low": row["crude_low"], "high": row["crude_high"]}
        medians = f"{number(row['median'], 1)}; {number(row['median_reference'], 1)}"
        sizes = f"{count(row['n'])}; {count(row['n_reference'])}"
        texts = [words.with_interval(Shape(answer.result, answer.rows), r) for r in (crude, row)]
        lines.append(Line((label, *texts, medians, sizes), answer.data(row)))
    return [
        Table(
            id=id,
            caption="Chair time per canal between sequences, own canals: how many times as long the first takes",
            heads=(
                "First against second",
                f"Crude ratio ({words.interval})",
                f"Ratio after case mix ({words.interval})",
                "Medians, minutes: first; second",
                "Canals: first; second",
            ),
            lines=tuple(lines),
            numeric=frozenset({1, 2, 3, 4}),
            data=answer.data(),
            records=True,
            note=f"{plain(answer.measure.caption or '')} {counting(answer)}".strip(),
            file=csv_file(id, answer),
        )
    ]


def quiet(words: Words, id: str, caption: str, answers: Sequence[Answer]) -> list[Part]:
    """Measures of one figure each, one a line, with n, and how many records do not say it."""
    lines, rows, missing = [], [], []
    for answer in answers:
        if answer.missing:
            missing.append(cannot(answer))
            continue
        row = answer.rows[0] if answer.rows else {}
        unit = {"time": f", median, {plain(answer.result.unit)}", "amount": f", mean, {plain(answer.result.unit)}"}
        known = bool(row) and not row.get("too_few") and row.get("estimate") is not None
        figure = words.with_interval(answer.result, row) if row else "nothing to count"
        of = f"{count(row['events'])} of {count(row['n'])}" if known and row.get("events") is not None else ""
        of = of or (count(row["n"]) if known else "\u2013")
        unsaid = count(row["not_recorded"]) if known and row.get("not_recorded") is not None else "\u2013"
        cells = (answer.title + unit.get(answer.result.kind, ""), figure, of, unsaid)
        lines.append(Line(cells, answer.data(row or None)))
        rows.append({"measure": answer.name, **row})
    columns = dict.fromkeys(k for row in rows for k in row)
    context = [part for answer in answers for part in published(answer)]
    table = Table(
        id=id,
        caption=caption,
        heads=("Measure", f"Own figure ({words.interval})", "Of", "Not recorded"),
        lines=tuple(lines),
        numeric=frozenset({1, 2, 3}),
        records=True,
        note="What each measure counts stands under \u201cHow it was computed\u201d.",
        file=File(id, tuple(columns), rows),
    )
    return [*([table] if lines else []), *missing, *context]


def against_standards(words: Words, id: str, held: Sequence[tuple[Any, Answer]]) -> list[Part]:
    """Own figures against the practice's standards; `held` pairs each standard with the own answer since its day."""
    lines = []
    for standard, answer in held:
        row = answer.rows[0] if answer.rows else None
        if answer.missing or row is None:
            continue
        target = f"{standard.direction} {words.figure(answer.result, standard.target)}"
        cells = (answer.title, target, words.with_n(answer.result, row), capital(held_to(standard, row)))
        lines.append(Line(cells, answer.data(row)))
    if not lines:
        return []
    return [
        Table(
            id=id,
            caption="Own figures against the standards that the practice set itself",
            heads=("Standard", "Target", f"Own figure ({words.interval})", "Own figure holds it"),
            lines=tuple(lines),
            numeric=frozenset({1, 2}),
            records=True,
            note="Met, not met: the whole interval lies on one side of the standard. Of own records since the last "
            "audit, where the standard names one. A standard is set for the practice; teeth differ between dentists.",
        )
    ]


def held_to(standard: Any, row: dict[str, Any]) -> str:
    """`met`, `not met` or `cannot be told yet`, as the measure of standards says it."""
    low, high = (None, None) if row.get("too_few") else (row.get("low"), row.get("high"))
    return verdict(low, high, standard.target, standard.direction)
