"""Reading a sheet of a workbook as text: values as shown to a program, dates as ISO 8601.

Polars reads through fastexcel (calamine): formulas give their cached values, a merged cell its value in the top-left.
"""

from __future__ import annotations

import io
import zipfile
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import UserError
from pipeline.sources.table import File, RawTable, cell_names

if TYPE_CHECKING:
    import fastexcel

_LARGEST = 200 << 20  # bytes unpacked: a 1 MB file can hold a gigabyte of zeros
_DENSEST = 100  # unpacked : packed
_FAILED = "#failed formula"


def read_workbook(path: File, sheet: str | None) -> RawTable:
    """The sheet (the first one when none is named) as text; row numbers are those of the sheet."""
    book = _open(path)
    names = book.sheet_names
    try:
        if sheet is not None and sheet not in names:
            raise UserError(f"no sheet {sheet}; it has {', '.join(names)}", where=str(path), do="Name one of these")
        # skip_rows=0 keeps empty rows at the top: row numbers are those that the person sees in the sheet.
        cells = book.load_sheet(
            sheet or names[0], header_row=None, skip_rows=0, dtypes="string", skip_whitespace_tail_rows=True
        )
        arrow, errors = cells.to_arrow_with_errors()
        frame = pl.from_arrow(arrow)
        assert isinstance(frame, pl.DataFrame)
    except UserError:
        raise
    except Exception as e:
        raise _unreadable(path, e) from None
    frame = frame.cast(pl.String).fill_null("")
    frame.columns = cell_names(frame.width)
    # A failed formula (#DIV/0!) would come as an empty cell, which says something else.
    failed = sorted((column, row) for row, column in (e.offset_position for e in (errors.errors if errors else ())))
    for column, cells_of in groupby(failed, key=itemgetter(0)):
        frame.replace_column(column, frame.to_series(column).scatter([row for _, row in cells_of], _FAILED))
    frame = frame.with_row_index("source_row", 1).with_columns(pl.col("source_row").cast(pl.Int64))
    filled = frame.filter(pl.any_horizontal(pl.exclude("source_row").str.strip_chars() != ""))
    if not filled.height:
        raise UserError("the sheet is empty", where=str(path), do="Export it again")
    header = tuple(str(cell).strip() for cell in filled.row(0)[1:])
    rows = filled.slice(1)
    blank = frame.height - filled.height
    return RawTable(header, rows, (), blank, typed_cells=True)


def sheet_names(path: File) -> list[str]:
    """The names of a workbook's sheets, in its order."""
    return list(_open(path).sheet_names)


def _open(path: File) -> fastexcel.ExcelReader:
    data = _bytes(path)
    import fastexcel

    try:
        return fastexcel.read_excel(data)
    except Exception as e:
        raise _unreadable(path, e) from None


def _unreadable(path: File, error: Exception) -> UserError:
    """fastexcel has no family of errors: whatever it raises says that the file is damaged."""
    reason = str(error).partition("\n")[0]
    return UserError(f"the workbook cannot be read ({reason})", where=str(path), do="Save it again as .xlsx")


def _bytes(path: File) -> bytes:
    """The workbook's bytes, once its directory says that it unpacks to something sensible."""
    try:
        data = path.read_bytes()
        with zipfile.ZipFile(io.BytesIO(data)) as book:
            unpacked = sum(entry.file_size for entry in book.infolist())
            packed = max(1, sum(entry.compress_size for entry in book.infolist()))
    except FileNotFoundError:
        raise UserError("no such file", where=str(path), do="Check the path") from None
    except (OSError, zipfile.BadZipFile):
        raise UserError("is not an .xlsx or .ods workbook", where=str(path), do="Save it again as .xlsx") from None
    if unpacked > _LARGEST or unpacked / packed > _DENSEST:
        raise UserError(
            f"the workbook unpacks to {unpacked >> 20} MB, {unpacked // packed} times its size",
            where=str(path),
            do="Save it again, or export as CSV",
        )
    return data
