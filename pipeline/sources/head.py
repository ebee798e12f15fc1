"""The header of an export: which of its first lines it is, and what stands before it."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.errors import UserError
from pipeline.sources.table import SHOWN, WHITE, Aside

LOOKED_AT = 30  # non-blank lines among which a known header is looked for
BEFORE = "It stands before the header."
REPEATED = "It repeats the header."
TRAILER = "The mapping says that such a line is no record."


def is_blank(line: str) -> bool:
    return not line.strip(WHITE)


def join(rows: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """The rows of a header made one: cells trimmed and joined with a space, column by column.

    An empty cell of a row above the last takes what stands left of it: that is how merged cells come.
    """
    width = max(len(row) for row in rows)
    whole = [[cell.strip(WHITE) for cell in row] + [""] * (width - len(row)) for row in rows]
    for row in whole[:-1]:
        for i in range(1, width):
            row[i] = row[i] or row[i - 1]
    return tuple(" ".join(cell for cell in cells if cell) for cells in zip(*whole, strict=True))


def numbered(width: int) -> tuple[str, ...]:
    """The header of a file that has none."""
    return tuple(f"#{i}" for i in range(1, width + 1))


def before(lines: Sequence[str], stop: int) -> tuple[Aside, ...]:
    """What stands before the header at index `stop` and is not blank."""
    return tuple(Aside(i, line[:SHOWN], BEFORE) for i, line in enumerate(lines[:stop], 1) if not is_blank(line))


def matches(texts: pl.Expr, patterns: tuple[str, ...]) -> pl.Expr:
    """Is one of the patterns found in the text?"""
    return pl.any_horizontal(pl.lit(False), *(texts.str.contains(pattern) for pattern in patterns))


def none_matches(lines: Sequence[str], patterns: tuple[str, ...]) -> list[bool]:
    """For each of a few lines: is none of the patterns found in it?"""
    if not patterns:
        return [True] * len(lines)
    frame = pl.DataFrame({"line": list(lines)}, schema={"line": pl.String})
    return frame.select(~matches(pl.col("line"), patterns)).to_series().to_list()


def checked_patterns(patterns: tuple[str, ...], where: str) -> None:
    """A UserError for a pattern that cannot be searched for."""
    from pipeline.sources.table import is_pattern

    for pattern in patterns:
        if not is_pattern(pattern):
            raise UserError(f"{pattern} is no regular expression", where=where, do="Mend trailer in the mapping")
