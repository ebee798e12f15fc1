"""What every reader returns: an export as text, every record accounted for."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from typing import Protocol

import polars as pl


class File(Protocol):
    """A file of an export: a path, or a member of an archive. Its text form is how errors name it."""

    @property
    def name(self) -> str: ...
    @property
    def suffix(self) -> str: ...
    def read_bytes(self) -> bytes: ...


@dataclass(frozen=True)
class Dialect:
    """How a text file is written. Declared, never guessed."""

    encoding: str = "utf-8"
    delimiter: str = ","


def text_codec(encoding: str) -> str:
    """Python's name of a text encoding; LookupError when there is none (base64 is a codec too, but not of text)."""
    try:
        " ".encode(encoding)
    except UnicodeError as e:
        raise LookupError(encoding) from e
    return codecs.lookup(encoding).name


@dataclass(frozen=True)
class Broken:
    """A record that cannot be told into cells: where it starts, its text, its cells as far as they go, and why."""

    source_row: int
    raw: str
    cells: tuple[str, ...]
    rule: str
    reason: str


@dataclass(frozen=True)
class RawTable:
    """An export as text.

    `rows` has `source_row` (the line of the file, or row of the sheet, at which the record starts; the first is 1) and
    one text column `c0`, `c1`, ... for each header; empty cells are "". `len(rows) + len(broken)` records were read.
    """

    header: tuple[str, ...]
    rows: pl.DataFrame
    broken: tuple[Broken, ...] = ()
    blank_lines: int = 0
    typed_cells: bool = False  # a workbook's dates and numbers come as ISO 8601 and with a point, however shown


def cell_names(width: int) -> list[str]:
    return [f"c{i}" for i in range(width)]
