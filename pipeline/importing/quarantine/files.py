"""Refused rows, and those with blanked cells, as files for the person who mends them, to be imported again.

A table is what one mapping reads: rows of one kind that were read alike. It has what we say in front (file, row, kind,
reason), then the cells of the rows under the headers of their export, and is written as that mapping reads files: its
delimiter, its row of the header. A text that a spreadsheet would take for a formula gets an apostrophe in front
(output/escape.py), which refusals.py takes off again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from pipeline.importing.quarantine.how import How, as_read
from pipeline.importing.quarantine.listing import Refused
from pipeline.importing.refusals import ABOUT
from pipeline.output.private import write_for_user
from pipeline.output.rows import check_format
from pipeline.output.text import csv_text

FORMATS = (".csv", ".xlsx")
RAW = "raw text"  # the header of rows that cannot be told into cells


@dataclass(frozen=True)
class Row:
    """One row of an export: the records of it that were refused may be several."""

    about: tuple[str, str, str, str]  # as ABOUT
    cells: dict[str, str]
    marked: frozenset[str]  # headers of the cells that the reasons speak of


@dataclass(frozen=True)
class Table:
    """Rows that one mapping reads. `how` is None where rows cannot be told into cells."""

    kind: str
    how: How | None
    header: tuple[str, ...]  # of the cells
    rows: list[Row]

    def texts(self, row: Row) -> list[str]:
        return [*row.about, *(row.cells.get(name, "") for name in self.header)]


def export(found: Sequence[Refused], out: Path) -> list[tuple[Path, int]]:
    """Write refused records to `out`, readable by the owner only. Gives the files written with their numbers of rows.

    A workbook has a sheet a table. Text files hold one table: of several each gets a file of its own, out-visits.csv
    beside out-canals.csv.
    """
    check_format(out, FORMATS)
    tables = tables_of(found)
    if out.suffix.lower() == ".xlsx":
        from pipeline.importing.quarantine.sheet import workbook

        write_for_user(out, workbook(tables))
        return [(out, sum(len(table.rows) for table in tables))]
    if not tables:
        write_for_user(out, csv_text(ABOUT, []))
        return [(out, 0)]
    named = zip(names([table.kind for table in tables]), tables, strict=True)
    files = {out if len(tables) == 1 else out.with_stem(f"{out.stem}-{name}"): table for name, table in named}
    for path, table in files.items():
        write_for_user(path, _csv(table))
    return [(path, len(table.rows)) for path, table in files.items()]


def names(kinds: Sequence[str]) -> list[str]:
    """A name for each table, all different: visits, canals, canals-2."""
    before = [kinds[:i].count(kind) for i, kind in enumerate(kinds)]
    return [kind if not n else f"{kind}-{n + 1}" for kind, n in zip(kinds, before, strict=True)]


def tables_of(found: Sequence[Refused]) -> list[Table]:
    """The rows of refused records, by what reads them."""
    by_how = sorted(found, key=lambda r: (r.cells is None, r.kind, r.how, r.file, r.batch, r.row))
    tables = []
    for (broken, kind, text), records in groupby(by_how, key=lambda r: (r.cells is None, r.kind, r.how)):
        how = None if broken else as_read(text)
        rows = [_row(list(same), how) for _, same in groupby(records, key=lambda r: (r.file, r.batch, r.row))]
        tables.append(Table(kind, how, tuple(dict.fromkeys(name for row in rows for name in row.cells)), rows))
    # Rows that cannot be told into cells are for reading only: they need not be kept apart by how they were read.
    unread = [table for table in tables if table.how is None]
    merged = [Table("unreadable", None, (RAW,), [row for t in unread for row in t.rows])] if unread else []
    return [table for table in tables if table.how is not None] + merged


def _row(records: list[Refused], how: How | None) -> Row:
    first = records[0]
    said = [[f"{r.what_in_words.capitalize()}.", *r.reasons] if r.what == "cell" else r.reasons for r in records]
    reasons = " ".join(dict.fromkeys(reason for reasons in said for reason in reasons))
    about = (first.file, str(first.row), first.kind, reasons)
    if how is None or first.cells is None:
        return Row(about, {RAW: first.record}, frozenset())
    marked = {source for record in records for column in record.faulty for source in how.table.sources_of(column)}
    return Row(about, first.cells, frozenset(marked))


def _csv(table: Table) -> str:
    options = table.how.options if table.how else None
    written = csv_text(
        (*ABOUT, *table.header),
        (table.texts(row) for row in table.rows),
        delimiter=(options and options.delimiter) or ",",
        quote=(options and options.quote) or '"',
        above=table.how.rows_above if table.how else 0,
    )
    mark = "\ufeff" if options and options.encoding else ""  # a mark wins over what a mapping declares
    return mark + written
