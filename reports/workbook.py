"""A page's figures as one workbook: a sheet a table, and in front one that says whose they are and what is where.

How cells are written stands in pipeline.output.sheets. The same page gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

from pipeline.output.sheets import ROWS, Looks, fill, new_book, sheet_name, write_text
from pipeline.output.text import plain
from reports.blocks import File, Items, Page
from reports.words import count

CONTENTS = "contents"  # the sheet in front


def workbook(page: Page, made: date) -> bytes:
    """The workbook (XLSX) of a page; `made` is the day of the report."""
    written = io.BytesIO()
    with new_book(written) as book:
        book.set_properties(
            {"title": plain(page.title), "author": "canalwise", "created": datetime(made.year, made.month, made.day)}
        )
        looks = Looks(book)
        used: set[str] = set()
        front = book.add_worksheet(sheet_name(CONTENTS, used))
        names = []
        for _, file in page.filed:
            names.append(sheet_name(file.name, used))
            fill(book.add_worksheet(names[-1]), file.columns, file.rows, looks)
        _contents(front, page, names, looks)
    return written.getvalue()


def _contents(sheet: Any, page: Page, names: list[str], looks: Looks) -> None:
    sheet.set_column(0, 0, 34)
    sheet.set_column(1, 1, 64)
    sheet.set_column(2, 2, 9)
    sheet.set_column(3, 3, 64)
    write_text(sheet, 0, 0, page.title, looks.title)
    at = 1
    for name, said in page.facts:
        write_text(sheet, at, 0, name, looks.term)
        write_text(sheet, at, 1, said, looks.text)
        at += 1
    for i, caution in enumerate(_cautions(page)):
        if not i:
            write_text(sheet, at, 0, "Cautions", looks.term)
        write_text(sheet, at, 1, caution, looks.text)
        at += 1
    write_text(sheet, at, 0, "Columns", looks.term)
    write_text(
        sheet, at, 1, "Named as in what `canalwise measure NAME --json` prints; shares lie between 0 and 1.", looks.text
    )
    at += 2
    for column, head in enumerate(("Sheet", "What it shows", "Rows", "What to know of it")):
        write_text(sheet, at, column, head, looks.head)
    for name, (table, file) in zip(names, page.filed, strict=True):
        at += 1
        quoted = name.replace("'", "''")
        sheet.write_url(at, 0, f"internal:'{quoted}'!A1", looks.link, name)
        write_text(sheet, at, 1, table.caption, looks.text)
        sheet.write_number(at, 2, len(file.rows), looks.text)
        write_text(sheet, at, 3, " ".join((table.note, _cut_short(file))).strip(), looks.text)


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
