"""Comma-separated text (RFC 4180), and what values are written as wherever they leave as text."""

from __future__ import annotations

import csv
import datetime as dt
import io
import unicodedata
from collections.abc import Iterable, Sequence
from typing import Any

from pipeline.output.escape import escape_formula

_UNFIT = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})


def plain(value: object) -> str:
    """Text of a record on one line: no control characters, no marks that turn the direction of writing.

    Control characters are not allowed in SVG and would stop the drawing of a chart; direction marks could make a
    page read other than what is stored.
    """
    text = str(value)
    if text.isprintable():  # the only blank in it is the space: signs need not be looked up one by one
        return " ".join(text.split())
    kept = (" " if c.isspace() else c for c in text if c.isspace() or unicodedata.category(c) not in _UNFIT)
    return " ".join("".join(kept).split())


def csv_text(
    header: Iterable[Any],
    lines: Iterable[Iterable[Any]],
    *,
    delimiter: str = ",",
    quote: str = '"',
    line_end: str = "\r\n",
    above: int = 0,
) -> str:
    """A header and lines of values as text, `above` empty lines before them; no cell is a formula."""
    written = io.StringIO(newline="")
    writer = csv.writer(written, delimiter=delimiter, quotechar=quote, lineterminator=line_end)
    for _ in range(above):
        writer.writerow([])
    writer.writerow([csv_cell(value) for value in header])
    writer.writerows([csv_cell(value) for value in line] for line in lines)
    return written.getvalue()


def csv_cell(value: Any) -> str:
    """One value: numbers at full precision, dates in ISO 8601, true and false, nothing where nothing is known."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):  # NumPy's are floats too, and would say so
        return "" if value != value else repr(float(value))
    if isinstance(value, int):
        return repr(value)
    if isinstance(value, (dt.date, dt.datetime)):
        return value.isoformat()
    if isinstance(value, (list, tuple, set)):
        return escape_formula("; ".join(plain(v) for v in value))
    return escape_formula(str(value).replace("\x00", ""))


def columns_of(rows: Sequence[Any]) -> list[str]:
    """The names of all columns, in the order in which rows bring them."""
    return list(dict.fromkeys(key for row in rows for key in row))
