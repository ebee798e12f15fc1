"""A workbook to keep records in by hand: a sheet a record kind, a column a column of its records, no macros.

`ingest` reads it as it is, without a mapping: the heads are our names of the columns. In front of each sheet stands, on
demand, what the trade calls them in another language; ingest takes that row for no record. Lists are there to pick
from, dates and numbers are looked at when they are typed; import judges all of it again, by the rules.
"""

from __future__ import annotations

import datetime as dt
import io
import math
from collections.abc import Sequence
from typing import Any

from pipeline.output.sheets import ROWS, Looks, fill, new_book, write_text
from pipeline.records import DATES, NUMBERS, Column, Kind, reference

READ_ME, COLUMNS, LISTS = "read me", "columns", "lists"
GUIDE = (READ_ME, COLUMNS, LISTS)  # the sheets that hold no records

_MOST = 1e15  # numbers beyond are no longer exact in a cell
_MESSAGE, _TITLE = 255, 32  # characters of a message and of its title
_NARROW, _WIDE = 12, 26  # characters of a column
_AUTHOR = "canalwise"
_NAMES = {"en": "English", "de": "German", "fr": "French", "es": "Spanish", "it": "Italian", "pl": "Polish"}

_SENTENCES = (
    "For quality review, not for treatment decisions. Figures show associations, not causes. Local law, guidelines, "
    "instructions for use and the judgement of licensed practitioners come first.",
    "Patient ids are hidden at import: a keyed pseudonym takes the place of each before anything is stored. This "
    "workbook has them as you write them: keep it where patients' records belong, on an encrypted disk. Never write "
    "a patient's name into it.",
    "A sheet holds one kind of records, a row is one record. Keep the sheets that you want to keep, and leave the "
    "others empty or take them out. Records of a treatment name it by its treatment_id, in every sheet alike.",
    "A coloured head says that the column must be filled in: a row without it is refused. Any other column may be "
    "empty, or be taken out; leave empty what is not known. Point at a head to see what the column means; the sheet "
    f"{COLUMNS} has all of it, with units, and {LISTS} the words that stand in lists. Leave the heads as they are.",
    "Dates and times are those of the practice's clock.",
    "To import: canalwise ingest FILE. The same rows again change nothing, and a row that was mended replaces what it "
    "was. One that is taken out here stays in the store.",
)


def template(kinds: Sequence[Kind], language: str | None = None) -> bytes:
    """The workbook, as .xlsx; `language` (one of records.LANGUAGES) puts the trade's words above the heads."""
    written = io.BytesIO()
    with new_book(written) as book:
        looks = _Looks(book)
        _read_me(book.add_worksheet(READ_ME), kinds, looks)
        sheets = [book.add_worksheet(kind.name) for kind in kinds]
        fill(book.add_worksheet(COLUMNS), *_columns(kinds, language), looks)
        lists = _lists(book.add_worksheet(LISTS), kinds, looks)
        for sheet, kind in zip(sheets, kinds, strict=True):
            _records(sheet, kind, language, lists, looks)
    return written.getvalue()


class _Looks(Looks):
    def __init__(self, book: Any) -> None:
        super().__init__(book)
        head = {"bold": True, "bottom": 1, "valign": "top"}
        self.needed = book.add_format({**head, "bg_color": "#FFE699"})
        self.above = book.add_format({"valign": "top", "text_wrap": True, "italic": True})
        self.cells = {
            "text": book.add_format({"num_format": "@"}),  # an id keeps the noughts that it begins with
            "date": self.day,
            "timestamp": book.add_format({"num_format": "yyyy-mm-dd hh:mm"}),
        }


def _read_me(sheet: Any, kinds: Sequence[Kind], looks: _Looks) -> None:
    write_text(sheet, 0, 0, "Records for canalwise", looks.title)
    for at, sentence in enumerate(_SENTENCES, start=2):
        write_text(sheet, at, 0, sentence, looks.text)
    start = len(_SENTENCES) + 3
    for at, kind in enumerate(kinds, start=start):
        sheet.write_url(at, 0, f"internal:'{kind.name}'!A1", looks.link, f"{kind.name}: {kind.title}")
    sheet.set_column(0, 0, 100)


def _columns(kinds: Sequence[Kind], language: str | None) -> tuple[list[str], list[dict[str, Any]]]:
    rows = [
        {"sheet": kind.name, "column": row["column"]}
        | ({f"in {_NAMES[language]}": kind.column(row["column"]).words[language][0]} if language else {})
        | {"filled in": row["filled_in"], "type": row["type"], "meaning": row["meaning"]}
        for kind in kinds
        for row in reference.rows(kind)
    ]
    return list(rows[0]), rows


def _lists(sheet: Any, kinds: Sequence[Kind], looks: _Looks) -> dict[tuple[str, str], str]:
    """Every list of words or numbers in a column; gives where each stands, by kind and column."""
    from xlsxwriter.utility import xl_range_abs

    found = {}
    listed = [(k.name, c.name, c.values or c.usual_values) for k in kinds for c in k.columns]
    for at, (kind, column, values) in enumerate(one for one in listed if one[2]):
        write_text(sheet, 0, at, f"{kind}: {column}", looks.head)
        for row, value in enumerate(values, start=1):
            if isinstance(value, int):
                sheet.write_number(row, at, value)
            else:
                write_text(sheet, row, at, value)
        found[kind, column] = f"={LISTS}!{xl_range_abs(1, at, len(values), at)}"
    sheet.freeze_panes(1, 0)
    sheet.autofit()
    return found


def _records(sheet: Any, kind: Kind, language: str | None, lists: dict[tuple[str, str], str], looks: _Looks) -> None:
    above = 1 if language else 0
    for at, column in enumerate(kind.columns):
        if language:
            words = column.words[language][0]
            write_text(sheet, 0, at, f"{words} *" if column.required else words, looks.above)
        write_text(sheet, above, at, column.name, looks.needed if column.required else looks.head)
        sheet.write_comment(above, at, _note(column), {"author": _AUTHOR, "x_scale": 2, "y_scale": 1.5})
        width = min(max(_NARROW, len(column.name) + 2, 17 if column.type == "timestamp" else 0), _WIDE)
        sheet.set_column(at, at, width, looks.cells.get(column.type))
        if looked_at := _looked_at(column, lists.get((kind.name, column.name))):
            message = _cut(f"{column.name}: {column.about}. {reference.takes(column)}", _MESSAGE)
            told = {"error_title": _cut(column.name, _TITLE), "error_message": message}
            sheet.data_validation(above + 1, at, ROWS - 1, at, looked_at | told)
    sheet.freeze_panes(above + 1, 0)


def _note(column: Column) -> str:
    lines = [f"{column.about}.", reference.takes(column), f"Unit: {column.unit}." if column.unit else ""]
    lines += ["Must be filled in."] if column.required else ["Should be filled in."] if column.expected else []
    return "\n".join(filter(None, lines))


def _looked_at(column: Column, words: str | None) -> dict[str, Any] | None:
    """What is looked at when somebody types into a cell of the column; `stop` takes nothing else, `warning` asks."""
    if words:
        return {"validate": "list", "source": words, "error_type": "stop" if column.values else "warning"}
    if column.type == "bool":
        return {"validate": "list", "source": ["yes", "no"], "error_type": "stop"}
    if column.type in DATES:
        first, last = column.not_before, column.not_after
        today = "=TODAY()+1" if column.type == "timestamp" else "=TODAY()"
        days = {"minimum": dt.datetime(first.year, first.month, first.day), "maximum": last or today}
        return {"validate": "date", "criteria": "between", **days, "error_type": "stop"}
    if column.type in NUMBERS:
        low, high = (column.range.low, column.range.high) if column.range else (-math.inf, math.inf)
        ends = {"minimum": max(low, -_MOST), "maximum": min(high, _MOST)}
        what = "integer" if column.type == "int" else "decimal"
        return {"validate": what, "criteria": "between", **ends, "error_type": "warning"}
    return None


def _cut(text: str, length: int) -> str:
    return text if len(text) <= length else f"{text[: length - 1]}…"
