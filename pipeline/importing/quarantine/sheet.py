"""Refused rows as a workbook: all cells text, the faulty ones marked, a note on each that says why."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.errors import UserError
from pipeline.importing.refusals import ABOUT
from pipeline.output.escape import escape_formula
from pipeline.output.sheets import ROWS, TEXT, new_book, sheet_name

if TYPE_CHECKING:
    from pipeline.importing.quarantine.files import Table

_NOTES = 2_000  # a sheet with more notes opens slowly; the fill stays
_WIDTHS = (22, 8, 16, 70)  # of the columns in front, in characters


def workbook(tables: Sequence[Table]) -> bytes:
    """A sheet for each table, named as the mapping's or after its kind."""
    written = io.BytesIO()
    with new_book(written) as book:
        looks = _Looks(book)
        used: set[str] = set()
        for table in tables:
            wanted = (table.how and table.how.table.sheet) or table.kind
            sheet = book.add_worksheet(sheet_name(wanted, used, otherwise=table.kind))
            _fill(sheet, table, looks)
        if not tables:
            sheet = book.add_worksheet("refused")
            sheet.write_row(0, 0, ABOUT, looks.head)
    return written.getvalue()


class _Looks:
    def __init__(self, book: Any) -> None:
        text = {"num_format": "@", "valign": "top"}
        self.head = book.add_format({**text, "bold": True, "bottom": 1})
        self.plain = book.add_format(text)
        self.reason = book.add_format({**text, "text_wrap": True})
        self.faulty = book.add_format({**text, "bold": True, "bg_color": "#FFE699", "border": 1})


def _fill(sheet: Any, table: Table, looks: _Looks) -> None:
    above = table.how.rows_above if table.how else 0
    if above + 1 + len(table.rows) > ROWS:
        raise UserError(
            f"a sheet holds at most {ROWS:,} rows, and {len(table.rows):,} of {table.kind} are refused",
            do="Choose some with --file or --reason, or give --out a name that ends in .csv",
        )
    header = [*ABOUT, *table.header]
    for column, name in enumerate(header):
        _text(sheet, above, column, name, looks.head)
        sheet.set_column(column, column, _WIDTHS[column] if column < len(_WIDTHS) else max(12, min(len(name) + 2, 40)))
    notes = 0
    for place, row in enumerate(table.rows, start=above + 1):
        for column, (name, text) in enumerate(zip(header, table.texts(row), strict=True)):
            faulty = column >= len(ABOUT) and name in row.marked
            look = looks.faulty if faulty else looks.reason if column == len(ABOUT) - 1 else looks.plain
            _text(sheet, place, column, text, look)
            if faulty and notes < _NOTES:
                sheet.write_comment(place, column, row.about[-1][:1000], {"author": "canalwise", "x_scale": 2})
                notes += 1
    sheet.freeze_panes(above + 1, 0)
    if table.rows:
        sheet.autofilter(above, 0, above + len(table.rows), len(header) - 1)


def _text(sheet: Any, row: int, column: int, text: str, look: Any) -> None:
    text = escape_formula(text)  # it is no formula in this workbook, but may be in a text file made of it
    if len(text) > TEXT:
        raise UserError(
            f"a cell of a workbook holds at most {TEXT:,} characters, and one of row {row + 1} has {len(text):,}",
            do="Give --out a name that ends in .csv",
        )
    if text:
        sheet.write_string(row, column, text, look)
    else:
        sheet.write_blank(row, column, None, look)
