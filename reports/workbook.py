"""A page's figures as one workbook: a sheet a table, and in front one that says whose they are and what is where.

Numbers stay numbers at full precision, dates dates; yes and no are words, what is not known is an empty cell. Text is
written as text, whatever a spreadsheet would make of it. The same page gives the same bytes.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal
from numbers import Real
from typing import Any

from pipeline.workbook import ROWS, TEXT, new_book, sheet_name
from reports.blocks import File, Items, Page
from reports.words import count, plain

CONTENTS = "contents"  # the sheet in front
_WIDEST = 420  # pixels, of a column
_EXACT = 2**53  # whole numbers up to here are the same in a cell, which holds a double
_FIRST_DAY = date(1900, 3, 1)  # the calendar of spreadsheets has a 29 February 1900


def workbook(page: Page, made: date) -> bytes:
    """The workbook (XLSX) of a page; `made` is the day of the report."""
    written = io.BytesIO()
    with new_book(written) as book:
        book.set_properties(
            {"title": plain(page.title), "author": "canalwise", "created": datetime(made.year, made.month, made.day)}
        )
        looks = _Looks(book)
        used: set[str] = set()
        front = book.add_worksheet(sheet_name(CONTENTS, used))
        names = []
        for _, file in page.filed:
            names.append(sheet_name(file.name, used))
            _fill(book.add_worksheet(names[-1]), file, looks)
        _contents(front, page, names, looks)
    return written.getvalue()


class _Looks:
    def __init__(self, book: Any) -> None:
        top = {"valign": "top"}
        self.title = book.add_format({"bold": True, "font_size": 14})
        self.head = book.add_format({**top, "bold": True, "bottom": 1})
        self.term = book.add_format({**top, "bold": True})
        self.text = book.add_format({**top, "text_wrap": True})
        self.link = book.add_format({**top, "font_color": "#005A8C", "underline": 1})
        self.day = book.add_format({"num_format": "yyyy-mm-dd"})
        self.moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})


def _contents(sheet: Any, page: Page, names: list[str], looks: _Looks) -> None:
    sheet.set_column(0, 0, 34)
    sheet.set_column(1, 1, 64)
    sheet.set_column(2, 2, 9)
    sheet.set_column(3, 3, 64)
    _text(sheet, 0, 0, page.title, looks.title)
    at = 1
    for name, said in page.facts:
        _text(sheet, at, 0, name, looks.term)
        _text(sheet, at, 1, said, looks.text)
        at += 1
    for i, caution in enumerate(_cautions(page)):
        if not i:
            _text(sheet, at, 0, "Cautions", looks.term)
        _text(sheet, at, 1, caution, looks.text)
        at += 1
    _text(sheet, at, 0, "Columns", looks.term)
    _text(
        sheet, at, 1, "Named as in what `canalwise measure NAME --json` prints; shares lie between 0 and 1.", looks.text
    )
    at += 2
    for column, head in enumerate(("Sheet", "What it shows", "Rows", "What to know of it")):
        _text(sheet, at, column, head, looks.head)
    for name, (table, file) in zip(names, page.filed, strict=True):
        at += 1
        quoted = name.replace("'", "''")
        sheet.write_url(at, 0, f"internal:'{quoted}'!A1", looks.link, name)
        _text(sheet, at, 1, table.caption, looks.text)
        sheet.write_number(at, 2, len(file.rows), looks.text)
        _text(sheet, at, 3, " ".join((table.note, _cut_short(file))).strip(), looks.text)


def _cautions(page: Page) -> Iterator[str]:
    for block in page.blocks:
        if block.id == "cautions":
            for part in block.parts:
                if isinstance(part, Items):
                    yield from (sentence.whole for sentence in part.sentences)


def _cut_short(file: File) -> str:
    if len(file.rows) < ROWS:
        return ""
    return f"Only the first {count(ROWS - 1)} rows: a sheet holds no more. {file.name}.csv beside the page has all."


def _fill(sheet: Any, file: File, looks: _Looks) -> None:
    for column, name in enumerate(file.columns):
        _text(sheet, 0, column, name, looks.head)
    for at, row in enumerate(file.rows[: ROWS - 1], start=1):
        for column, name in enumerate(file.columns):
            _value(sheet, at, column, row.get(name), looks)
    sheet.freeze_panes(1, 0)
    if file.rows:
        sheet.autofilter(0, 0, min(len(file.rows), ROWS - 1), len(file.columns) - 1)
    sheet.autofit(_WIDEST)


def _value(sheet: Any, at: int, column: int, value: Any, looks: _Looks) -> None:
    if value is None or value != value:
        return
    if isinstance(value, bool):
        sheet.write_string(at, column, "yes" if value else "no")
    elif isinstance(value, (Real, Decimal)) and math.isfinite(value) and abs(value) <= _EXACT:
        sheet.write_number(at, column, _Exact(value))
    elif isinstance(value, datetime) and value.tzinfo is None and value.date() >= _FIRST_DAY:
        sheet.write_datetime(at, column, value, looks.moment)
    elif isinstance(value, date) and not isinstance(value, datetime) and value >= _FIRST_DAY:
        sheet.write_datetime(at, column, value, looks.day)
    elif isinstance(value, (list, tuple)):
        _text(sheet, at, column, "; ".join(plain(v) for v in value))
    else:  # infinities too, and what a cell could not hold exactly
        _text(sheet, at, column, value)


class _Exact(float):
    """A number that is written with all its digits; the library would write sixteen, one too few for some."""

    def __format__(self, spec: str) -> str:
        return repr(float(self))


def _text(sheet: Any, at: int, column: int, value: object, look: Any = None) -> None:
    text = plain(value)
    if text:
        sheet.write_string(at, column, text if len(text) <= TEXT else f"{text[: TEXT - 1]}\u2026", look)
