"""A measure tooth by tooth: the grid of two rows of sixteen, and the table."""

from __future__ import annotations

from typing import Any

from reports.blocks import Figure, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.fdi_grid import LOWER, UPPER, Tooth, fdi_grid
from reports.evidence.common import cannot, csv_file, figure_head, n_text
from reports.source import Answer
from reports.words import TOO_FEW, Words, count, counted


def grid(words: Words, id: str, answer: Answer, *, what: str) -> list[Part]:
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
        f"{what} by tooth: {count(total)}, in {len(with_events)} of {counted(len(rows), 'tooth position')} treated"
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
                n_text(rows[code]),
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
            caption="Tooth codes are FDI (ISO 3950). The deeper the shade, the higher the lower bound of the rate, so "
            "that few teeth do not shade deeply. An empty field: no tooth treated. few: too few to show."
            + (" Primary teeth are in the table only." if any(code > 50 for code in rows) else ""),
            data=answer.data(),
        ),
        Table(
            id=f"{id}-table",
            caption=f"{what} by tooth",
            heads=("Tooth", "Events", "Teeth treated", figure_head(words, answer)),
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
