"""Lists: records one a line, and why rows were refused."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from reports.blocks import Figure, File, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.quarantine import bars
from reports.evidence.common import NEVER, Column, cannot, csv_file
from reports.source import Answer
from reports.words import Words, capital, count, counted, plain

MOST_RECORDS = 400  # rows of a record list on a page; the CSV file holds all


def plain_column(words: Words, head: str, name: str) -> Column:
    """A column of a record list that shows one field."""
    return (
        head,
        lambda row: words.value(name, row[name]) if name in _GROUPED and row.get(name) else words.cell(row.get(name)),
    )


_GROUPED = frozenset({"sequence", "tooth_type", "tooth_group", "kind", "motion"})


def listed(
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
    hidden = NEVER | set(hide)
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
            caption="Refused rows count in no figure of this page until they are mended; one refused for two reasons "
            "stands in both." + (f" The ten most frequent of {len(counts)} reasons." if len(counts) > 10 else ""),
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
