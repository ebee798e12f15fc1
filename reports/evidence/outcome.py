"""Outcome of teeth: classes as stacked shares, what those not judged could hide, and how they differ."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.shares import Bar, shares
from reports.evidence.common import cannot, csv_file, keys, left_out
from reports.evidence.groups import order
from reports.source import Answer
from reports.words import TOO_FEW, Words, capital, count, group_title, groups_title, number, percent, points, series

CORE = ("healed", "healing", "uncertain", "not healed")  # they share one denominator
BESIDE = "lost for another reason"  # its denominator is theirs and its own

# Beyond this a standardised difference is more than slight: Austin 2009, Stat Med 28:3083 (from memory).
SLIGHT = 0.1


def divided(
    words: Words,
    id: str,
    classes: Answer,
    *,
    recall: Answer | None = None,
    chart: bool = True,
) -> list[Part]:
    """Classes of outcome by the answer's groups, one bar a group with its recall share, and their table."""
    if classes.missing:
        return [cannot(classes)]
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in classes.rows:
        groups.setdefault(tuple(row.get(b) for b in classes.by), []).append(row)
    firsts = order(words, classes, [rows[0] for rows in groups.values()])
    by_words = groups_title(classes.by)
    if not firsts:
        return [prose(f"{classes.title} {by_words}: no tooth to judge yet.")]
    bars, lines, said = [], [], []
    for first in firsts:
        by_class = {row.get("class"): row for row in groups[tuple(first.get(b) for b in classes.by)]}
        label, pickable = words.group(first, classes.by), keys(classes, first)
        healed = by_class.get(CORE[0], first)
        few = healed.get("too_few") or healed.get("estimate") is None
        seen_row = recall.find(**{b: first.get(b) for b in classes.by}) if recall and not recall.missing else None
        seen = words.with_interval(recall.result, seen_row) if recall and seen_row else ""
        text = TOO_FEW if few else words.with_interval(classes.result, healed)
        n = "\u2013" if few else count(healed["n"])
        others = [_cell(words, classes, by_class.get(name)) for name in CORE[1:]]
        beside = [_cell(words, recall, seen_row)] if recall else []
        lines.append(Line((label, text, *others, n, *beside), classes.data(healed)))
        if few:
            bars.append(Bar(label, (), None, None, TOO_FEW, f"{label}: {TOO_FEW}", pickable))
            continue
        rest = [f"{name} {words.figure(classes.result, by_class[name]['estimate'])}" for name in CORE[1:]]
        tail = f"; {series(rest)}; n\u00a0{n}" + (f"; seen at recall {seen}" if seen else "")
        parts = tuple(by_class[name]["estimate"] for name in CORE)
        told = f"Healed {text}{tail}", f"{label}: {text}{tail}"
        bars.append(Bar(label, parts, healed.get("low"), healed.get("high"), *told, pickable))
        said.append(f"{label}: healed {text}{tail}")
    made: list[Part] = []
    if chart and said:
        wide, narrow = theme.both(
            lambda width: shares(
                bars, [capital(c) for c in CORE], width, axis="Teeth judged, those of a group as one whole"
            )
        )
        title = _message(words, classes, by_words)
        made.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. {'. '.join(said)}.",
                wide=wide,
                narrow=narrow,
                caption=f"{plain(classes.measure.caption or '')} The line below a bar is the {words.interval} of the "
                "healed share.",
                data=classes.data(),
            )
        )
    heads = [capital(series([group_title(b) for b in classes.by])), f"Healed ({words.interval})"]
    heads += [*(capital(name) for name in CORE[1:]), "Judged", *(["Seen in the recall window"] if recall else [])]
    made.append(
        Table(
            id=f"{id}-table",
            caption=f"{classes.title} {by_words}",
            heads=tuple(heads),
            lines=tuple(lines),
            numeric=frozenset(range(1, len(heads))),
            data=classes.data(),
            records=True,
            folded=chart and bool(said),  # the chart says it in words
            note=left_out(classes) if chart else "",
            file=csv_file(id, classes),
        )
    )
    return made


def beside_healed(
    words: Words, id: str, classes: Answer, decided: Answer, functional: Answer, bounds: Answer
) -> list[Part]:
    """What stands beside the healed share, by the same groups.

    Its readings without uncertain teeth and loose (functional), other losses, and what is left open.
    """
    if classes.missing or decided.missing or functional.missing or bounds.missing:
        return []  # each says so where its one figure is told
    lost: dict[tuple[Any, ...], dict[str, Any]] = {}  # one row a group: a group withheld may have several
    for row in classes.rows:
        if row.get("class") == BESIDE or row.get("too_few"):
            lost[tuple(row.get(b) for b in classes.by)] = row
    lines = []
    for row in order(words, classes, list(lost.values())):
        group = {b: row.get(b) for b in classes.by}
        left_open = bounds.find(**group)
        few = left_open is None or bool(left_open.get("too_few"))
        data = {} if left_open is None else bounds.data(left_open)
        cells = [_cell(words, answer, answer.find(**group)) for answer in (decided, functional)]
        cells.append(_cell(words, classes, row))
        cells += [
            Sentence(text, data=data)
            for text in (
                [TOO_FEW, "\u2013", "\u2013"]
                if few or left_open is None
                else [
                    count(left_open["not_known"]),
                    words.figure(bounds.result, left_open["lowest"]),
                    words.figure(bounds.result, left_open["highest"]),
                ]
            )
        ]
        lines.append(Line((words.group(row, classes.by), *cells), classes.data(row)))
    if not lines:
        return []
    by_words = groups_title(classes.by)
    return [
        Table(
            id=id,
            caption=f"Other readings, other losses, and what those not judged leave open, {by_words}",
            heads=(
                capital(series([group_title(b) for b in classes.by])),
                f"Healed, uncertain teeth set apart ({words.interval})",
                f"Functional ({words.interval})",
                "Lost for another reason",
                "Not judged",
                "Healed share if none of them had healed",
                "Healed share if all had",
            ),
            lines=tuple(lines),
            numeric=frozenset(range(1, 7)),
            data=classes.data(),
            records=True,
            folded=True,
            file=csv_file(id, bounds),
        )
    ]


def what_is_open(words: Words, bounds: Answer, weighted: Answer) -> list[Sentence]:
    """What those not judged could hide, and the healed share weighted so that those judged stand for all."""
    said = []
    row = bounds.shown[0] if bounds.shown else None
    if row and row["not_known"]:
        lowest, highest = (words.figure(bounds.result, row[k]) for k in ("lowest", "highest"))
        outer = [words.figure(bounds.result, row[k]) for k in ("lowest_low", "highest_high") if row.get(k) is not None]
        chance = f" ({outer[0]} and {outer[1]} with chance allowed for)" if len(outer) == 2 else ""
        data = bounds.data(row) | {k: repr(row[k]) for k in ("not_known", "lowest", "highest")}
        said.append(
            Sentence(
                f"{count(row['n'])} teeth due were judged and {count(row['not_known'])} were not: had none of those "
                f"healed, the healed share would be {lowest}; had all, {highest}{chance}.",
                data=data,
            )
        )
    row = weighted.shown[0] if weighted.shown else None
    if row:
        said.append(
            Sentence(
                "Weighted so that the teeth judged stand for all that were due, a sensitivity figure: "
                f"{words.full(weighted.result, row, weighted.measure)}.",
                data=weighted.data(row),
            )
        )
    return said


def seen_and_not(words: Words, id: str, answer: Answer) -> list[Part]:
    """Those seen at recall against those not seen, by what was known before, with the standardised difference."""
    if answer.missing:
        return [cannot(answer)]
    rows = [row for row in answer.rows if not row.get("too_few")]
    if not rows:
        return [prose(f"{answer.title}: too few on one of the sides to compare.")]
    lines = []
    for row in rows:
        level = words.value(row["characteristic"], row["level"])
        bounds = ""
        if row.get("low") is not None and row.get("high") is not None:
            bounds = f" ({points(row['low'])}\u00a0to\u00a0{points(row['high'])})"
        difference = "\u2013" if row["estimate"] is None else f"{points(row['estimate'])} points{bounds}"
        standardised = row.get("standardised_difference")
        lines.append(
            Line(
                (
                    capital(group_title(row["characteristic"])),
                    level,
                    _side(row["share_seen"], row["events"], row["n"]),
                    _side(row["share_not_seen"], row["events_reference"], row["n_reference"]),
                    difference,
                    "\u2013" if standardised is None else number(standardised, 2),
                ),
                answer.data(row),
            )
        )
    apart = [row for row in rows if (row.get("standardised_difference") or 0) > SLIGHT]
    named = [
        f"{group_title(row['characteristic'])} \u201c{words.value(row['characteristic'], row['level'])}\u201d "
        f"({_known(row['share_seen'])} of those seen, {_known(row['share_not_seen'])} of the others)"
        for row in apart
    ]
    beyond = f"a standardised difference above {SLIGHT:g} (Austin 2009)"
    text = (
        f"More frequent among those seen at recall, by {beyond}: {series(named)}."
        if named
        else f"Those seen at recall and those not seen differ in nothing recorded by {beyond}."
    )
    return [
        prose(Sentence(text, data=answer.data())),
        Table(
            id=id,
            caption=answer.title,
            heads=(
                "What was known before",
                "Value",
                "Of those seen",
                "Of those not seen",
                f"Difference ({words.interval})",
                "Standardised difference",
            ),
            lines=tuple(lines),
            numeric=frozenset({2, 3, 4, 5}),
            data=answer.data(),
            records=True,
            folded=True,
            note=f"{plain(answer.measure.caption or '')} {left_out(answer)}".strip(),
            file=csv_file(id, answer),
        ),
    ]


def _cell(words: Words, answer: Answer, row: Mapping[str, Any] | None) -> Sentence:
    """A share with its interval as a cell of its own."""
    if answer.missing or row is None:
        return Sentence("\u2013")
    return Sentence(words.with_interval(answer.result, row), data=answer.data(row))


def _side(share: float | None, events: int, n: int) -> str:
    return f"{_known(share)}, {count(events)} of {count(n)}"


def _known(share: float | None) -> str:
    return "\u2013" if share is None else percent(share)


def _message(words: Words, classes: Answer, by_words: str) -> str:
    """What the chart shows, as its title: the span of the groups' healed shares."""
    healed = [row for row in classes.shown if row.get("class") == CORE[0]]
    head = f"{capital(series(CORE))} {by_words}"
    if len(healed) < 2:
        return head
    low, high = (f(healed, key=lambda row: row["estimate"]) for f in (min, max))
    texts = [f"{words.figure(classes.result, r['estimate'])} ({words.group(r, classes.by)})" for r in (low, high)]
    return f"{head}: {texts[0]} to {texts[1]} healed"
