"""Reading a sheet of a workbook as text: values as shown to a program, dates as ISO 8601.

fastexcel (calamine) reads it in a process of its own, see workbook_child.py. Formulas give the value computed last, a
merged cell its value in the top left, numbers at most 15 significant digits, as workbooks hold them.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import zipfile
from dataclasses import dataclass, replace
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import UserError
from pipeline.sources import head
from pipeline.sources.table import (
    FAILED,
    NOT_COMPUTED,
    SHOWN,
    WHITE,
    Aside,
    Dialect,
    File,
    Knows,
    Lines,
    RawTable,
    cell_names,
)

_LARGEST = 200 << 20  # bytes unpacked: a 1 MB file can hold a gigabyte of zeros
_DENSEST = 100  # unpacked : packed
_MEMORY = 2048  # megabytes that the process may take to read one
_PATIENCE = 300  # seconds

_CHILD = Path(__file__).with_name("workbook_child.py")
_OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # the compound file of old workbooks and of locked new ones
# A time of day is a number below 1, which as a moment lies on the day before the first; no export is of that day.
_TIME_OF_DAY = r"^(?:1899-12-3[01]|1904-01-01)[ T](\d\d:\d\d:\d\d(?:\.\d+)?)$"

# Text columns c0, c1, ...; or why the sheet cannot be read.
Sheet = pl.DataFrame | str
Book = dict[str, Sheet]


def read_workbook(
    path: File,
    sheet: str | None,
    dialect: Dialect | None = None,
    knows: Knows | None = None,
    book: Book | None = None,
) -> RawTable:
    """The sheet (the first one when none is named) as text; row numbers are those of the sheet.

    Of the dialect the header and the trailer apply. `knows` says of cells whether they are a known header. `book`
    is what `read_book` gave, where that was asked before.
    """
    dialect = dialect or Dialect()
    frame, filled = _filled(path, sheet, book)
    found = _find_head(frame, filled, dialect, knows, path)
    body = frame.slice(found.body_at).with_row_index("source_row", found.body_at + 1)
    body = body.with_columns(
        pl.col("source_row").cast(pl.Int64), filled=filled.slice(found.body_at), why=_why_aside(frame, found, dialect)
    )
    rows = body.filter(pl.col("filled") & (pl.col("why") == ""))
    blank = frame.slice(0, found.at).filter(~filled.head(found.at)).height + body.filter(~pl.col("filled")).height
    aside = body.filter(pl.col("filled") & (pl.col("why") != ""))
    of_body = aside.select("source_row", _joined(frame).str.strip_chars_end("\t").str.slice(0, SHOWN), "why")
    set_aside = (*found.aside, *(Aside(*row) for row in of_body.iter_rows()))
    header_rows = found.body_at - found.at
    lines = Lines(frame.height, header_rows, blank, len(set_aside), rows.height, 0)
    return RawTable(
        found.header,
        rows.drop("filled", "why"),
        (),
        blank,
        typed_cells=True,
        aside=set_aside,
        lines=lines,
        found=replace(dialect, header_row=0 if dialect.header_row == 0 else found.at + 1),
    )


def read_header(
    path: File, sheet: str | None, dialect: Dialect, knows: Knows | None = None, book: Book | None = None
) -> tuple[str, ...]:
    """The header alone: that of `read_workbook`."""
    frame, filled = _filled(path, sheet, book)
    return _find_head(frame, filled, dialect, knows, path).header


@dataclass(frozen=True)
class _Head:
    """The header, the rows [at, body_at) that hold it (counted from 0), and what stands before it."""

    header: tuple[str, ...]
    at: int
    body_at: int
    aside: tuple[Aside, ...]


def _filled(path: File, sheet: str | None, book: Book | None) -> tuple[pl.DataFrame, pl.Series]:
    """The cells of a sheet, and which of its rows have any."""
    book = read_book(path) if book is None else book
    if sheet is not None and sheet not in book:
        raise UserError(f"no sheet {sheet}; it has {', '.join(book)}", where=str(path), do="Name one of these")
    frame = book[sheet] if sheet is not None else next(iter(book.values()))
    if isinstance(frame, str):
        raise _unreadable(path, frame)
    filled = frame.select(pl.any_horizontal(pl.lit(False), pl.all().str.strip_chars(WHITE) != "")).to_series()
    if not frame.height or not filled.any():
        raise UserError("the sheet is empty", where=str(path), do="Export it again")
    return frame, filled


def _find_head(frame: pl.DataFrame, filled: pl.Series, dialect: Dialect, knows: Knows | None, path: File) -> _Head:
    head.checked_patterns(dialect.trailer, str(path))
    if dialect.header_row:
        at = dialect.header_row - 1
        if at >= frame.height or not filled[at]:
            what = "is blank" if at < frame.height else f"is not there: the sheet has {frame.height} rows"
            what = f"row {dialect.header_row}, which the mapping says holds the header, {what}"
            raise UserError(what, where=str(path), do="Mend header_row in the mapping")
        candidates = [at]
    else:
        first = filled.arg_true().head(head.LOOKED_AT)
        texts = frame[first].select(_joined(frame)).to_series().to_list()
        sound = head.none_matches(texts, dialect.trailer)
        candidates = [at for at, is_sound in zip(first, sound, strict=True) if is_sound] or [first[0]]
    rows = dialect.header_rows
    headers = [(at, head.join(frame.slice(at, rows).rows())) for at in candidates]
    at, header = next((found for found in headers if knows and knows(found[1])), headers[0])
    body_at = min(at + rows, frame.height)
    if dialect.header_row == 0:
        at = body_at = candidates[0]
        header = head.numbered(frame.width)
    texts = frame.head(at).select(_joined(frame).str.strip_chars_end("\t")).to_series().to_list()
    return _Head(header, at, body_at, head.before(texts, at))


def _joined(frame: pl.DataFrame) -> pl.Expr:
    return pl.concat_str(frame.columns, separator="\t")


def _why_aside(frame: pl.DataFrame, found: _Head, dialect: Dialect) -> pl.Expr:
    """Why a row of the body is no record; empty for all others."""
    why: pl.Expr = pl.lit("")
    if dialect.trailer:
        why = pl.when(head.matches(_joined(frame), dialect.trailer)).then(pl.lit(head.TRAILER)).otherwise(why)
    header = frame.slice(found.at, found.body_at - found.at).rows()
    if header:
        starts = pl.all_horizontal(
            (pl.col(column).shift(-i) == cell).fill_null(False)
            for i, row in enumerate(header)
            for column, cell in zip(frame.columns, row, strict=True)
        )
        within = pl.any_horizontal(starts.shift(i, fill_value=False) for i in range(len(header)))
        why = pl.when(within).then(pl.lit(head.REPEATED)).otherwise(why)
    return why


def read_book(path: File) -> Book:
    """The sheets of a workbook by name, in its order, read in a process of its own."""
    data = _bytes(path)
    try:
        # -P: the script's folder has modules named like Python's own.
        command = [sys.executable, "-P", str(_CHILD), str(_MEMORY)]
        done = subprocess.run(command, input=data, capture_output=True, timeout=_PATIENCE, check=False)
    except subprocess.TimeoutExpired:
        raise _unreadable(path, f"its reader was not done after {_PATIENCE} seconds") from None
    line, _, streams = done.stdout.partition(b"\n")
    if done.returncode or not line:
        no_memory = b"memory allocation" in done.stderr or b"MemoryError" in done.stderr
        raise _unreadable(path, "it takes too much memory" if no_memory else "its reader broke off")
    answer = json.loads(line)
    if "error" in answer:
        raise _unreadable(path, answer["error"])
    book: Book = {}
    at = 0
    for sheet in answer["sheets"]:
        if "error" in sheet:
            book[sheet["name"]] = sheet["error"]
            continue
        book[sheet["name"]] = _mended(pl.read_ipc_stream(streams[at : at + sheet["bytes"]]), sheet)
        at += sheet["bytes"]
    if not book:
        raise _unreadable(path, "it has no sheets")
    return book


def _mended(frame: pl.DataFrame, sheet: dict[str, Any]) -> pl.DataFrame:
    """Text cells, empty ones "", with what the reader gave as empty though it is not."""
    frame = frame.with_columns(pl.all().cast(pl.String).fill_null("").str.replace(_TIME_OF_DAY, "$1"))
    frame.columns = cell_names(frame.width)
    instead = [(column, row, FAILED) for row, column in sheet["failed"]]
    instead += [(column, row, NOT_COMPUTED) for row, column in sheet["not_computed"]]
    instead += [(column, row, text) for row, column, text in sheet["times"]]
    instead = sorted(cell for cell in instead if 0 <= cell[0] < frame.width)  # beyond there is no header either
    lacking = max((row for _, row, _ in instead), default=0) + 1 - frame.height
    if lacking > 0:  # rows at the end in which nothing else stands
        frame = pl.concat([frame, pl.DataFrame(dict.fromkeys(frame.columns, [""] * lacking))])
    for column, cells in groupby(instead, key=itemgetter(0)):
        _, rows, texts = zip(*cells, strict=True)
        frame.replace_column(column, frame.to_series(column).scatter(list(rows), list(texts)))
    return frame


def _unreadable(path: File, reason: str) -> UserError:
    """fastexcel has no family of errors: whatever it raises says that the file is damaged."""
    if "password" in reason.lower():
        return UserError("the workbook is locked by a password", where=str(path), do="Save it without one")
    return UserError(f"the workbook cannot be read ({reason})", where=str(path), do="Save it again as .xlsx")


def _bytes(path: File) -> bytes:
    """The workbook's bytes, once its directory says that it unpacks to something sensible."""
    data = path.read_bytes()
    if data.startswith(_OLD_OR_LOCKED):
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise _unreadable(path, "password")
        raise UserError("is an old .xls workbook, whatever its name", where=str(path), do="Save it as .xlsx")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as book:
            unpacked = sum(entry.file_size for entry in book.infolist())
            packed = max(1, sum(entry.compress_size for entry in book.infolist()))
            if unpacked <= _LARGEST and "META-INF/manifest.xml" in book.namelist():
                locked = b"encryption-data" in book.read("META-INF/manifest.xml")
            else:
                locked = False
    except (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError):
        raise UserError("is not an .xlsx or .ods workbook", where=str(path), do="Save it again as .xlsx") from None
    if locked:
        raise _unreadable(path, "password")
    if unpacked > _LARGEST or unpacked / packed > _DENSEST:
        raise UserError(
            f"the workbook unpacks to {unpacked >> 20} MB, {unpacked // packed} times its size",
            where=str(path),
            do="Save it again, or export as CSV",
        )
    return data
