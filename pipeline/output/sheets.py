"""What all workbooks share that we write cell by cell: text that stays text, names of sheets, the limits.

Numbers stay numbers at full precision, dates dates; yes and no are words, what is not known is an empty cell. Text is
written as text, whatever a spreadsheet would make of it.
"""

from __future__ import annotations

import datetime as dt
import io
import math
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from numbers import Real
from typing import Any

from pipeline.output.text import plain

ROWS, TEXT = 1_048_576, 32_767  # what a sheet, and a cell, can hold
_NAME = 31  # UTF-16 units of a sheet's name
_FORBIDDEN = re.compile(r"[\[\]:*?/\\\x00-\x1f\x7f]")
_WIDEST = 420  # pixels, of a column
_EXACT = 2**53  # whole numbers up to here are the same in a cell, which holds a double
_FIRST_DAY = dt.date(1900, 3, 1)  # the calendar of spreadsheets has a 29 February 1900


def new_book(to: io.BytesIO) -> Any:
    """A new workbook, to be used as a context; what it holds is in `to` when the context ends.

    A text is never taken for a formula, a link or a number, and nothing goes to a temporary file, which would hold
    patients' records.
    """
    import xlsxwriter

    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    return xlsxwriter.Workbook(to, options)


class Looks:
    """The formats of a workbook's cells."""

    def __init__(self, book: Any) -> None:
        top = {"valign": "top"}
        self.title = book.add_format({"bold": True, "font_size": 14})
        self.head = book.add_format({**top, "bold": True, "bottom": 1})
        self.term = book.add_format({**top, "bold": True})
        self.text = book.add_format({**top, "text_wrap": True})
        self.link = book.add_format({**top, "font_color": "#005A8C", "underline": 1})
        self.day = book.add_format({"num_format": "yyyy-mm-dd"})
        self.moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})


def fill(sheet: Any, columns: Sequence[str], rows: Sequence[Mapping[str, Any]], looks: Looks) -> None:
    """Rows under a header that stays in sight; as many as a sheet holds."""
    for column, name in enumerate(columns):
        write_text(sheet, 0, column, name, looks.head)
    for at, row in enumerate(rows[: ROWS - 1], start=1):
        for column, name in enumerate(columns):
            _value(sheet, at, column, row.get(name), looks)
    sheet.freeze_panes(1, 0)
    if rows:
        sheet.autofilter(0, 0, min(len(rows), ROWS - 1), len(columns) - 1)
    sheet.autofit(_WIDEST)


_NUMBERS: Any = (Real, Decimal)


def _value(sheet: Any, at: int, column: int, value: Any, looks: Looks) -> None:
    if value is None or value != value:
        return
    if isinstance(value, bool):
        sheet.write_string(at, column, "yes" if value else "no")
    elif isinstance(value, _NUMBERS) and math.isfinite(value) and abs(value) <= _EXACT:
        sheet.write_number(at, column, _Exact(value))
    elif isinstance(value, dt.datetime) and value.tzinfo is None and value.date() >= _FIRST_DAY:
        sheet.write_datetime(at, column, value, looks.moment)
    elif isinstance(value, dt.date) and not isinstance(value, dt.datetime) and value >= _FIRST_DAY:
        sheet.write_datetime(at, column, value, looks.day)
    elif isinstance(value, (list, tuple)):
        write_text(sheet, at, column, "; ".join(plain(v) for v in value))
    else:  # infinities too, and what a cell could not hold exactly
        write_text(sheet, at, column, value)


class _Exact(float):
    """A number that is written with all its digits; the library would write sixteen, one too few for some."""

    def __format__(self, spec: str) -> str:
        return repr(float(self))


def write_text(sheet: Any, at: int, column: int, value: object, look: Any = None) -> None:
    """A text on one line; one that a cell cannot hold ends in an ellipsis."""
    text = plain(value)
    if text:
        sheet.write_string(at, column, text if len(text) <= TEXT else f"{text[: TEXT - 1]}\u2026", look)


def sheet_name(wanted: str, used: set[str], otherwise: str = "sheet") -> str:
    """A name that a sheet may have and none of `used` has, as like `wanted` as can be; it is added to `used`."""
    base = _cut(_FORBIDDEN.sub("-", wanted), _NAME).strip("'")
    base = base if base.strip() else otherwise
    name, number = base, 1
    while name.lower() in used or name.lower() == "history":  # which is kept for the spreadsheet program itself
        number += 1
        end = f"-{number}"
        name = f"{_cut(base, _NAME - len(end))}{end}"
    used.add(name.lower())
    return name


def _cut(text: str, units: int) -> str:
    return text.encode("utf-16-le", "replace")[: 2 * units].decode("utf-16-le", "ignore")
