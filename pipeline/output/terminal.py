"""Tables and lines for people, in a terminal of any width. Nothing breaks inside a word or a number.

A table that is too wide for the terminal breaks texts between words; one that still does not fit is shown as one record
below another. Columns that hold nothing are left out, and the two limits of an interval stand in one column. Plain
where the output is not a terminal or NO_COLOR is set. Whatever is written has its control characters shown as signs.
"""

from __future__ import annotations

import datetime as dt
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.output.escape import escape_terminal
from pipeline.output.text import columns_of

_PIPED = 250  # columns; piped to a file or another program a table must not be cut to some terminal's width
_GAP = 3  # between columns
_TEXT = 24  # characters: a cell that is longer is a text, which may be broken between words

Row = Mapping[str, Any]


def say(text: str = "") -> None:
    """A line on stdout."""
    print(escape_terminal(text))


def talk(text: str) -> None:
    """A line on stderr: what is being done, what to do next."""
    print(escape_terminal(text), file=sys.stderr, flush=True)


def width() -> int:
    """Columns of the terminal; in a pipe as many as a table wants."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else _PIPED


def table(
    rows: Sequence[Row],
    *,
    empty: str = "Nothing to show.",
    drop: Sequence[str] = (),
    percent: Sequence[str] = (),
    heads: Mapping[str, str] | None = None,
    wide: bool = False,
) -> None:
    """Print rows; numbers to the right, columns in the order in which rows bring them.

    `percent` names columns of shares, written in per cent; `heads` what a column is headed where not by its name.
    `wide` prints a table whatever the width.
    """
    if not rows:
        say(empty)
        return
    shown = [{c: row.get(c) for c in columns_of(rows) if c not in drop} for row in rows]
    names = [c for c in columns_of(shown) if any(row.get(c) not in (None, "") for row in shown)]
    cells = _cells(shown, names, frozenset(percent))
    title = {c: (heads or {}).get(c, c.replace("_", " ")) for c in cells[0]}
    room = width()
    for least in (_whole, _broken):
        widths = {c: least(title[c], [row[c] for row in cells]) for c in title}
        if wide or sum(widths.values()) + _GAP * (len(widths) - 1) <= room:
            _as_table(shown, cells, title, widths, None if wide else room)
            return
    _as_records(cells, title, room)


def _cells(rows: Sequence[Row], names: Sequence[str], percent: frozenset[str]) -> list[dict[str, str]]:
    """What is written in each cell, by column; an interval in one."""
    pairs = {low: _high_of(low) for low in names if "low" in low.split("_") and _high_of(low) in names}
    uppers = set(pairs.values())

    def written(row: Row, name: str) -> str:
        if name not in pairs:
            return _text(row.get(name), name in percent)
        ends = [_text(row.get(end), end in percent) for end in (name, pairs[name])]
        return "" if row.get(name) is None and row.get(pairs[name]) is None else f"{ends[0]} to {ends[1]}"

    return [{_interval(n) if n in pairs else n: written(row, n) for n in names if n not in uppers} for row in rows]


def _high_of(low: str) -> str:
    """The upper limit that belongs to a lower one: `low` and `high`, `x_low` and `x_high`, `limit_low_95` and its."""
    return "_".join("high" if p == "low" else p for p in low.split("_"))


def _interval(low: str) -> str:
    return "_".join("interval" if p == "low" else p for p in low.split("_"))


def _whole(title: str, cells: Sequence[str]) -> int:
    """The width of a column of which only the head is broken."""
    return max(_longest_word(title), *map(len, cells))


def _broken(title: str, cells: Sequence[str]) -> int:
    """The least width of a column in which texts are broken between words, and no others."""
    return max(
        _longest_word(title),
        *(len(cell) if len(cell) <= _TEXT else max(_longest_word(cell), _TEXT - 4) for cell in cells),
    )


def _longest_word(text: str) -> int:
    return max(map(len, text.split()), default=0)


def _as_table(
    rows: Sequence[Row],
    cells: Sequence[Mapping[str, str]],
    title: Mapping[str, str],
    least: Mapping[str, int],
    room: int | None,
) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    shown = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1))
    for column, head in title.items():
        right = any(isinstance(r.get(column), int | float) and not isinstance(r.get(column), bool) for r in rows)
        right = right or column not in rows[0]  # an interval
        shown.add_column(Text(head), justify="right" if right else "left", min_width=least[column], overflow="fold")
    for row in cells:
        shown.add_row(*(Text(row[column]) for column in title))
    Console(width=room or 10_000, highlight=False).print(shown)


def _as_records(cells: Sequence[Mapping[str, str]], title: Mapping[str, str], room: int) -> None:
    """One record below another: a line a column, a text that is too long for it broken between words."""
    margin = max(map(len, title.values())) + _GAP
    margin = margin if margin <= room // 2 else _GAP
    for place, row in enumerate(cells):
        if place:
            say()
        for column, head in title.items():
            if row[column]:
                for line in _lines(head, row[column], margin, room):
                    say(line)


def _lines(head: str, text: str, margin: int, room: int) -> list[str]:
    first = head.ljust(margin) if len(head) < margin else f"{head}: "
    found = textwrap.wrap(
        f"{first}{text}", room, subsequent_indent=" " * margin, break_long_words=False, break_on_hyphens=False,
        drop_whitespace=True, replace_whitespace=False,
    )  # fmt: skip
    return found or [first.rstrip()]


def paragraph(text: str) -> None:
    """A text of sentences on stdout, broken between words where the terminal is narrower."""
    for line in text.splitlines() or [""]:
        say("\n".join(textwrap.wrap(line, width(), break_long_words=False, break_on_hyphens=False)) or "")


def _text(value: Any, percent: bool = False) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float | int) and percent:
        return f"{_number(100 * value, 3)} %"
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, list | tuple):
        return escape_terminal("; ".join(map(str, value)), lines=False)
    return escape_terminal(str(value), lines=False)


def _number(value: float, digits: int = 4) -> str:
    """So many digits that count, never with an exponent: nobody reads money as 3.716e+04."""
    if abs(value) >= 10 ** (digits - 1) or (value == round(value) and abs(value) >= 100):
        return f"{value:.0f}"
    return f"{value:.{digits}g}" if abs(value) >= 0.0001 else f"{value:.7f}".rstrip("0").rstrip(".")
