"""Tables for people, on stdout: Rich draws them, plain where the output is not a terminal or NO_COLOR is set."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.sources.table import Aside


def table(rows: Sequence[Mapping[str, Any]], *, empty: str = "Nothing to show.", drop: Sequence[str] = ()) -> None:
    """Print rows as a table; numbers to the right, columns in the order in which rows bring them."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    if not rows:
        print(empty)
        return
    columns = [c for c in dict.fromkeys(key for row in rows for key in row) if c not in drop]
    shown = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for column in columns:
        numeric = any(
            isinstance(row.get(column), int | float) and not isinstance(row.get(column), bool) for row in rows
        )
        shown.add_column(column.replace("_", " "), justify="right" if numeric else "left", overflow="fold")
    for row in rows:
        shown.add_row(*(Text(_text(row.get(column))) for column in columns))
    # Piped to a file or another program a table must not be cut to some terminal's width.
    width = None if sys.stdout.isatty() else 250
    Console(width=width, highlight=False).print(shown)


def aside(file: str, lines: Sequence[Aside]) -> list[str]:
    """What is said of the lines of a file that are no records: how many, where, why; not what stands in them."""
    said = []
    for reason in dict.fromkeys(line.reason for line in lines):
        rows = [line.source_row for line in lines if line.reason == reason]
        shown = ", ".join(map(str, rows[:8])) + (f" and {len(rows) - 8} more" if len(rows) > 8 else "")
        said.append(f"{file}: not a record: line{'s' if len(rows) > 1 else ''} {shown}. {reason}")
    return said


def _text(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, list | tuple):
        return "; ".join(map(str, value))
    return str(value)


def _number(value: float) -> str:
    """Four digits that count, never with an exponent: nobody reads money as 3.716e+04."""
    if abs(value) >= 1000 or (value == round(value) and abs(value) >= 100):
        return f"{value:.0f}"
    return f"{value:.4g}" if abs(value) >= 0.0001 else f"{value:.7f}".rstrip("0").rstrip(".")
