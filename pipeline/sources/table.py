"""What every reader returns: an export as text, every physical line and every record accounted for."""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Protocol

import polars as pl

# Says whether these cells are the header that is looked for.
Knows = Callable[[tuple[str, ...]], bool]

# Unicode's white space and the separators of ASCII, as Python's str.isspace has them. A line of nothing else is blank;
# none but CR and LF ends a line.
WHITE = (
    " \t\n\x0b\x0c\r\x1c\x1d\x1e\x1f\x85\xa0\u1680\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a"
    "\u2028\u2029\u202f\u205f\u3000"
)
AT_A_TIME = 100_000  # rows of a table that records are made of at once
SHOWN = 1000  # characters kept of a line that is not a record, or too long to be one

# Cells of a workbook that would else come as empty, which says something else. They parse as nothing.
FAILED = "#failed formula"
NOT_COMPUTED = "#formula never computed"


class File(Protocol):
    """A file of an export: a path, or a member of an archive. Its text form is how errors name it."""

    @property
    def name(self) -> str: ...
    @property
    def suffix(self) -> str: ...
    def read_bytes(self) -> bytes: ...


@dataclass(frozen=True)
class Dialect:
    """How an export is written. Declared, or decided by the file itself; never guessed.

    `encoding`: None takes the file's own mark, else UTF-8, and refuses anything else. A mark always wins.
    `delimiter`: one character; None takes the one of , ; TAB | under which a known header is found (a text file needs
    `knows` for that, or a first line such as sep=;).
    `quote`: the quotation mark, doubled inside quoted cells; "" where quotation marks are plain characters.
    `header_row`: the physical line (row of the sheet) of the header, from 1; 0 where there is none, and the columns are
    called #1, #2, ...; None takes the first of the first 30 non-blank lines that is a known header, or the first
    non-blank line.
    `header_rows`: how many rows the header has. Their cells are joined with a space, column by column; an empty cell of
    a row above the last takes what stands left of it, as a merged cell does.
    `trailer`: regular expressions (Rust's: no look-around); a line in which one is found is no record. A sheet's row is
    searched as its cells joined by TAB.
    """

    encoding: str | None = None
    delimiter: str | None = ","
    quote: str = '"'
    header_row: int | None = None
    header_rows: int = 1
    trailer: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for sign in (self.quote or "'", "," if self.delimiter is None else self.delimiter):
            if len(sign) != 1 or not sign.isascii() or sign in "\r\n":
                raise ValueError("the delimiter and the quotation mark must be one ASCII character that ends no line")
        if self.quote and self.quote == self.delimiter:
            raise ValueError("the quotation mark must not be the delimiter")
        if self.header_rows < 1 or (self.header_row or 0) < 0:
            raise ValueError("a header has at least one row, and rows count from 1")


def text_codec(encoding: str) -> str:
    """Python's name of a text encoding; LookupError when there is none (base64 is a codec too, but not of text)."""
    try:
        " ".encode(encoding)
    except UnicodeError as e:
        raise LookupError(encoding) from e
    return codecs.lookup(encoding).name


def is_pattern(text: str) -> bool:
    """Can `text` be searched for as a trailer?"""
    try:
        pl.Series([""]).str.contains(text)
    except pl.exceptions.PolarsError:
        return False
    return True


@dataclass(frozen=True)
class Broken:
    """A record that cannot be told into cells: where it starts, its text, its cells as far as they go, and why."""

    source_row: int
    raw: str
    cells: tuple[str, ...]
    rule: str
    reason: str


@dataclass(frozen=True)
class Aside:
    """A line that is no record, nor meant as one: what stands before the header, a header repeated, a line of totals.

    `text` is its text, at most `SHOWN` characters. It may hold names: it is for the person at the screen, not for the
    store.
    """

    source_row: int
    text: str
    reason: str


@dataclass(frozen=True)
class Lines:
    """Where the physical lines of a file (rows of a sheet, elements of a JSON array) went. They add up."""

    physical: int
    header: int
    blank: int
    aside: int
    records: int
    broken: int

    def __post_init__(self) -> None:
        found = self.header + self.blank + self.aside + self.records + self.broken
        if found != self.physical:
            raise AssertionError(f"{self.physical} lines were read and {found} accounted for")


@dataclass(frozen=True)
class RawTable:
    """An export as text.

    `rows` has `source_row` (the line of the file, or row of the sheet, at which the record starts; the first is 1) and
    one text column `c0`, `c1`, ... for each header; empty cells are "". `len(rows) + len(broken)` records were read;
    `aside` were not meant as records. `found` is the dialect as the file decided it: no encoding, delimiter or row of
    the header is None in that of a text file.
    """

    header: tuple[str, ...]
    rows: pl.DataFrame
    broken: tuple[Broken, ...] = ()
    blank_lines: int = 0
    typed_cells: bool = False  # a workbook's dates and numbers come as ISO 8601 and with a point, however shown
    aside: tuple[Aside, ...] = ()
    lines: Lines | None = None  # every reader gives them; tables made by hand need not
    found: Dialect | None = None


@dataclass(frozen=True, eq=False)
class Pieces:
    """An export as text of which never all rows are in memory: `read` gives them in order, each time anew.

    `about` is the table without its rows.
    """

    about: RawTable
    read: Callable[[], Iterator[pl.DataFrame]]

    @classmethod
    def of(cls, raw: RawTable) -> Pieces:
        """A table that is in memory, in pieces that what is made of them may be small; one at least."""
        return cls(
            replace(raw, rows=raw.rows.clear()),
            lambda: raw.rows.iter_slices(AT_A_TIME) if raw.rows.height else iter([raw.rows]),
        )

    def __iter__(self) -> Iterator[RawTable]:
        return (replace(self.about, rows=rows) for rows in self.read())

    def whole(self) -> RawTable:
        """The table with all its rows."""
        return replace(self.about, rows=pl.concat(self.read()))

    def only(self, source_rows: pl.Series) -> RawTable:
        """The table with some of its rows."""
        at = source_rows.implode()
        return replace(self.about, rows=pl.concat(rows.filter(pl.col("source_row").is_in(at)) for rows in self.read()))


def cell_names(width: int) -> list[str]:
    return [f"c{i}" for i in range(width)]
