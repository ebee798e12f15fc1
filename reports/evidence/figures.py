"""One figure as a sentence, and several measures side by side in a table."""

from __future__ import annotations

from collections.abc import Sequence

from reports.blocks import File, Line, Part, Sentence, Table, prose
from reports.evidence.common import cannot, middle, n_text, published
from reports.source import Answer
from reports.words import Words, capital, count, group_title, number, percent, series


def sentence(words: Words, answer: Answer, what: str = "", period: str = "") -> Sentence:
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
    """Several measures, one a row, over several periods, one a column; every cell is a figure of its own.

    Figures published for these measures follow, as context.
    """
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
                text += f", n\u00a0{n_text(row)}"
                if row.get("events") is not None:
                    text = f"{words.with_interval(answer.result, row)}, {count(row['events'])} of {n_text(row)}"
            cells.append(Sentence(text, data=answer.data(row)))
            rows.append(
                {"measure": answer.name, "period": period, "from": answer.start, "to": answer.end, **(row or {})}
            )
        lines.append(Line((answers[0].title + middle(answers[0]), *cells)))
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
    context = [part for answers in asked for part in published(answers[0])]
    return [*([table] if lines else []), *missing, *context]


def counted_beside(words: Words, answer: Answer, name: str, units: str, did: str, period: str) -> Sentence | str:
    """A share that a measure of times counts beside its median: `June 2026: 12 of 140 sittings (9%, ...) took longer.`

    `name` is the share's name in the measure's TOML, `units` what n counts, `did` what those counted did.
    """
    row = answer.rows[0] if answer.rows else {}
    share = row.get(f"{name}_share")
    if answer.missing or row.get("too_few") or share is None:
        return ""
    low, high = row[f"{name}_low"], row[f"{name}_high"]
    return Sentence(
        f"{capital(period)}: {count(row[name])} of {count(row['n'])} {units} ({percent(share)}; {words.interval} "
        f"{number(low * 100)}\u00a0to\u00a0{percent(high)}) {did}.",
        data=answer.data(row),
    )


def side_by_side(
    words: Words, id: str, caption: str, periods: Sequence[str], answers: Sequence[Answer], leave: str = ""
) -> list[Part]:
    """One measure by one group over several periods: a line a group, a cell a period with events and rate.

    `leave` is a group that is told elsewhere.
    """
    if answers[0].missing:
        return [cannot(answers[0])]
    (by,) = answers[0].by
    values = {row[by]: None for answer in answers for row in answer.rows if row[by] != leave}
    lines = []
    for value in values:
        cells: list[str | Sentence] = [words.value(by, value)]
        for answer in answers:
            row = answer.find(**{by: value})
            text = "none" if row is None else words.with_interval(answer.result, row)
            if row and row.get("events") is not None:
                text += f", {count(row['events'])} of {n_text(row)}"
            cells.append(Sentence(text, data=answer.data(row)))
        lines.append(Line(tuple(cells)))
    if not lines:
        return [prose(Sentence(f"{caption}: none on record in {series(periods)}.", data=answers[-1].data()))]
    rows = [
        {"period": period, "from": answer.start, "to": answer.end, **row}
        for period, answer in zip(periods, answers, strict=True)
        for row in answer.rows
    ]
    columns = dict.fromkeys(key for row in rows for key in row)
    return [
        Table(
            id=id,
            caption=f"{caption}: {answers[0].title}; in brackets {words.interval}s",
            heads=(capital(group_title(by)), *(capital(p) for p in periods)),
            lines=tuple(lines),
            numeric=frozenset(range(1, len(periods) + 1)),
            records=True,
            file=File(id, tuple(columns), rows),
        )
    ]
