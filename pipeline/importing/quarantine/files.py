"""Refused rows, and those with blanked cells, as files for the person who mends them, to be imported again.

A table is what one mapping reads: rows of one kind that were read alike. It has what we say in front (file, row, kind,
reason), then the cells of the rows under the headers of their export, and is written as that mapping reads files: its
delimiter, its row of the header. A text that a spreadsheet would take for a formula gets an apostrophe in front
(CWE-1236; ASVS 5, 1.2.10), which refusals.py takes off again.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from pipeline.errors import UserError
from pipeline.importing.quarantine.how import How, as_read
from pipeline.importing.quarantine.listing import Refused
from pipeline.importing.refusals import ABOUT

RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠")
_NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?")
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
        return [harmless(text) for text in (*row.about, *(row.cells.get(name, "") for name in self.header))]


def export(found: Sequence[Refused], out: Path) -> list[tuple[Path, int]]:
    """Write refused records to `out`, readable by the owner only. Gives the files written with their numbers of rows.

    A workbook has a sheet a table. Text files hold one table: of several each gets a file of its own, out-visits.csv
    beside out-canals.csv.
    """
    check_format(out)
    tables = tables_of(found)
    if out.suffix.lower() == ".xlsx":
        from pipeline.importing.quarantine.sheet import workbook

        _write(out, workbook(tables))
        return [(out, sum(len(table.rows) for table in tables))]
    if not tables:
        _write(out, ",".join(ABOUT).encode())
        return [(out, 0)]
    named = zip(names([table.kind for table in tables]), tables, strict=True)
    files = {out if len(tables) == 1 else out.with_stem(f"{out.stem}-{name}"): table for name, table in named}
    for path, table in files.items():
        _write(path, _csv(table))
    return [(path, len(table.rows)) for path, table in files.items()]


def check_format(out: Path) -> None:
    """Refuse a name whose ending tells no format, before anything is read."""
    if out.suffix.lower() not in FORMATS:
        raise UserError("cannot tell the format from this name", where=str(out), do="End it in .csv or .xlsx")


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
    said = [[f"{r.told.capitalize()}.", *r.reasons] if r.what == "cell" else r.reasons for r in records]
    reasons = " ".join(dict.fromkeys(reason for reasons in said for reason in reasons))
    about = (first.file, str(first.row), first.kind, reasons)
    if how is None or first.cells is None:
        return Row(about, {RAW: first.record}, frozenset())
    marked = {source for record in records for column in record.faulty for source in how.table.sources_of(column)}
    return Row(about, first.cells, frozenset(marked))


def harmless(text: str) -> str:
    return f"'{text}" if text.startswith(RISKY) and not _NUMBER.fullmatch(text) else text


def _csv(table: Table) -> bytes:
    written = io.StringIO(newline="")
    options = table.how.options if table.how else None
    quote = (options.quote if options else '"') or '"'
    writer = csv.writer(written, delimiter=(options and options.delimiter) or ",", quotechar=quote)
    for _ in range(table.how.rows_above if table.how else 0):
        writer.writerow([])
    writer.writerow([*ABOUT, *map(harmless, table.header)])
    writer.writerows(table.texts(row) for row in table.rows)
    mark = "\ufeff" if options and options.encoding else ""  # a mark wins over what a mapping declares
    return (mark + written.getvalue()).encode()


def _write(path: Path, data: bytes) -> None:
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            path.chmod(0o600)  # also where it was there before
            file.write(data)
    except OSError as e:
        raise UserError(f"cannot be written ({e.strerror})", where=str(path)) from None
