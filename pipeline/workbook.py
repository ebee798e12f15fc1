"""What all workbooks share that we write cell by cell: text that stays text, names of sheets, the limits."""

from __future__ import annotations

import io
import re
from typing import Any

ROWS, TEXT = 1_048_576, 32_767  # what a sheet, and a cell, can hold
_NAME = 31  # UTF-16 units of a sheet's name
_FORBIDDEN = re.compile(r"[\[\]:*?/\\\x00-\x1f\x7f]")


def new_book(to: io.BytesIO) -> Any:
    """A new workbook, to be used as a context; what it holds is in `to` when the context ends.

    A text is never taken for a formula, a link or a number, and nothing goes to a temporary file, which would hold
    patients' records.
    """
    import xlsxwriter  # type: ignore[import-untyped]

    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    return xlsxwriter.Workbook(to, options)


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
