"""What lies in stock by size, how long it lasts, and what will be needed: one table."""

from __future__ import annotations

from reports.blocks import Line, Part, Table, prose
from reports.evidence.common import cannot, counting, csv_file
from reports.evidence.groups import order
from reports.source import Answer
from reports.words import TOO_FEW, Words, count, days


def stock(words: Words, id: str, answer: Answer) -> list[Part]:
    """The forecast of `answer` (stock_forecast by size), a line a size, in the order of the sizes."""
    if answer.missing:
        return [cannot(answer)]
    if not answer.rows:
        return [prose("No instrument is in stock or was taken into use.")]
    horizons = answer.measure.horizons
    lines = []
    for row in order(words, answer, [r for r in answer.rows if r.get("too_few") or r["time"] == horizons[0]]):
        name = words.group(row, answer.by)
        if row.get("too_few"):
            lines.append(Line((name, *[TOO_FEW] * (2 + len(horizons)))))
            continue
        cells = [name, count(row["in_stock"]), days(row["days_left"], row["days_left_low"], row["days_left_high"])]
        for horizon in horizons:
            at = answer.find(time=horizon, **{by: row[by] for by in answer.by}) or {}
            cells.append(words.with_interval(answer.result, at, 0))
        lines.append(Line(tuple(cells), answer.data(row)))
    return [
        Table(
            id=f"{id}-table",
            caption=f"Instruments in stock by size, how long they last, and how many will be taken; {words.interval}s "
            "of the number to come",
            heads=("Size", "In stock", "Lasts", *(f"Next {count(h)} days" for h in horizons)),
            lines=tuple(lines),
            numeric=frozenset(range(1, 3 + len(horizons))),
            records=True,
            data=answer.data(),
            note=f"If taken at the rate of the months before; no season, no trend is allowed for. {counting(answer)}",
            file=csv_file(id, answer),
        )
    ]
