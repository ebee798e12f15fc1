"""Tables and lines for people, in a terminal of any width. Nothing breaks inside a word or a number.

A table that is too wide for the terminal takes shorter heads, breaks texts between words, and leaves out columns that
can be spared; one that still does not fit is shown as one record below another. Columns that hold nothing are left out,
and the two limits of an interval stand in one column. Plain where the output is not a terminal or NO_COLOR is set.
Whatever is written has its control characters shown as signs.
"""

from __future__ import annotations

import datetime as dt
import shutil
import sys
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from pipeline.output.escape import escape_terminal
from pipeline.output.text import columns_of

_PIPED = 250  # columns; piped to a file or another program a table must not be cut to some terminal's width
_GAP = 2  # between columns
_LEAST = 20  # columns at which a text is broken
_TEXT = 24  # characters: a cell that is longer is a text, which may be broken between words

Row = Mapping[str, Any]


def say(text: str = "") -> None:
    """A line on stdout, as it is."""
    print(escape_terminal(text))


def talk(text: str) -> None:
    """A line on stderr: what is being done, what to do next; broken between words where the terminal is narrower."""
    print("\n".join(lines(text, width(err=True))), file=sys.stderr, flush=True)


def paragraph(text: str = "", *, hang: int = 0) -> None:
    """A text of sentences on stdout, broken between words where the terminal is narrower.

    Lines after the first of each are indented by `hang` more than it.
    """
    print("\n".join(lines(text, width(), hang)))


def preview(text: str) -> None:
    """A text that may become a file. In a pipe it is written as it is; on a terminal comments (#) are broken."""
    if not sys.stdout.isatty() and width() == _PIPED:
        sys.stdout.write(text)
        return
    for line in text.splitlines():
        comment = line.startswith("#")
        print("\n".join(_folded(escape_terminal(line), width(), "#   ")) if comment else escape_terminal(line))


def width(err: bool = False) -> int:
    """Columns of the terminal, that of stderr where `err`; in a pipe as many as a table wants."""
    to = sys.stderr if err else sys.stdout
    return shutil.get_terminal_size().columns if to.isatty() else _PIPED


def lines(text: str, room: int, hang: int = 0) -> list[str]:
    """The lines of a text, made harmless; none is wider than `room`, but for a word that is. In a pipe all stay."""
    found = escape_terminal(text).split("\n")
    if room != _PIPED:
        found = [part for line in found for part in _folded(line, room, _indent(line) + " " * hang)]
    return [line.replace("\u00a0", " ") for line in found]  # it has done its work: what it joins stands on one line


def _indent(line: str) -> str:
    return line[: len(line) - len(line.lstrip(" "))]


def _folded(line: str, room: int, later: str) -> list[str]:
    wrapped = textwrap.wrap(
        line, room, subsequent_indent=later, break_long_words=False, break_on_hyphens=False, replace_whitespace=False
    )
    return wrapped or [""]


def table(
    rows: Sequence[Row],
    *,
    empty: str = "Nothing to show.",
    drop: Sequence[str] = (),
    spare: Sequence[str] = (),
    percent: Sequence[str] = (),
    points: Sequence[str] = (),
    heads: Mapping[str, str] | None = None,
    short: Mapping[str, str] | None = None,
    text: int = _LEAST,
    wide: bool = False,
) -> None:
    """Print rows; numbers to the right, columns in the order in which rows bring them.

    `percent` names columns of shares, written in per cent, `points` those of differences, in percentage points; `heads`
    what a column is headed where not by its name, `short` by what where that is too wide. Where the table is too wide
    all the same, columns in which everything is 0 go, then those of `spare`, one after the other (an interval is called
    interval, x_interval); a line says which. Texts are broken at `text` columns, if need be at 20. `wide` prints the
    table whatever the width.
    """
    if not rows:
        say(empty)
        return
    shown = [{c: row.get(c) for c in columns_of(rows) if c not in drop} for row in rows]
    names = [c for c in columns_of(shown) if any(row.get(c) not in (None, "") for row in shown)]
    cells = _cells(shown, names, {**dict.fromkeys(percent, "%"), **dict.fromkeys(points, "+")})
    title = {c: (heads or {}).get(c, c.replace("_", " ")) for c in cells[0]}
    brief = title | {c: head for c, head in (short or {}).items() if c in title}
    right = frozenset(c for c in title if c not in names or _is_number(shown, c))
    room = width()
    if wide:
        _as_table(cells, title, {c: _whole(title[c], [row[c] for row in cells]) for c in title}, right, 10_000)
        return
    zero = [c for c in title if c in names and all(not row.get(c) and row.get(c) is not None for row in shown)]
    for heading, gone, least in _ways(title, brief, zero, [c for c in spare if c in title], text):
        widths = {c: least(head, [row[c] for row in cells]) for c, head in heading.items() if c not in gone}
        if sum(widths.values()) + _GAP * (len(widths) - 1) <= room:
            _as_table(cells, {c: heading[c] for c in widths}, widths, right, room)
            _say_what_went([title[c] for c in gone if c in zero], [title[c] for c in gone if c not in zero])
            return
    _as_records(cells, title, room)


def _ways(
    title: Mapping[str, str], brief: Mapping[str, str], zero: Sequence[str], spare: Sequence[str], text: int
) -> Iterator[tuple[Mapping[str, str], list[str], Any]]:
    """The ways to make a table narrower, the mildest first: heads, columns left out, the least width of a column."""
    broken = partial(_broken, text=text)
    yield title, [], _whole
    yield brief, [], _whole
    yield brief, [], broken
    gone = list(zero)
    if gone:
        yield brief, gone, broken
    for name in spare:
        if name not in gone:
            gone = [*gone, name]
            yield brief, gone, broken
    yield brief, gone, _broken


def _say_what_went(zero: Sequence[str], spared: Sequence[str]) -> None:
    said = [f"All 0: {', '.join(zero)}."] if zero else []
    said += [f"Not shown: {', '.join(spared)} (--wide shows all)."] if spared else []
    if said:
        paragraph(" ".join(said))


def _is_number(rows: Sequence[Row], column: str) -> bool:
    return any(isinstance(r.get(column), int | float) and not isinstance(r.get(column), bool) for r in rows)


def _cells(rows: Sequence[Row], names: Sequence[str], hundredfold: Mapping[str, str]) -> list[dict[str, str]]:
    """What is written in each cell, by column; an interval in one. `hundredfold`: columns times 100, and their sign."""
    pairs = {low: _high_of(low) for low in names if "low" in low.split("_") and _high_of(low) in names}
    uppers = set(pairs.values())

    def written(row: Row, name: str) -> str:
        sign = hundredfold.get(name)
        if name not in pairs:
            return _text(row.get(name), sign)
        low, high = row.get(name), row.get(pairs[name])
        if low is None and high is None:
            return ""
        upper = _text(high, sign)
        # 82 to 90 %: the sign stands once, as the trade writes intervals.
        lower = _text(low, sign) if high is None else _text(low, sign).removesuffix(" %")
        return f"{lower} to {upper}"

    return [{_interval(n) if n in pairs else n: written(row, n) for n in names if n not in uppers} for row in rows]


def _high_of(low: str) -> str:
    """The upper limit that belongs to a lower one: `low` and `high`, `x_low` and `x_high`, `limit_low_95` and its."""
    return "_".join("high" if p == "low" else p for p in low.split("_"))


def _interval(low: str) -> str:
    return "_".join("interval" if p == "low" else p for p in low.split("_"))


def _whole(title: str, cells: Sequence[str]) -> int:
    """The width of a column of which only the head is broken."""
    return max(_longest_word(title), *map(_wide, cells))


def _broken(title: str, cells: Sequence[str], text: int = _LEAST) -> int:
    """The least width of a column in which texts are broken between words, and no others."""
    return max(
        _longest_word(title),
        *(_wide(cell) if _wide(cell) <= _TEXT else max(_longest_word(cell), min(_wide(cell), text)) for cell in cells),
    )


def _longest_word(text: str) -> int:
    return max(map(_wide, text.split()), default=0)


def _wide(text: str) -> int:
    """How many columns of a terminal a text takes: some signs take two."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)


def _as_table(
    cells: Sequence[Mapping[str, str]],
    title: Mapping[str, str],
    least: Mapping[str, int],
    right: frozenset[str],
    room: int,
) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    widths, left = dict(least), room - sum(least.values()) - _GAP * (len(least) - 1)
    for column in sorted(title, key=lambda c: max(_wide(row[c]) for row in cells)):  # the longest text gets the rest
        wanted = max(_wide(title[column]), *(_wide(row[column]) for row in cells)) - widths[column]
        more = max(0, min(wanted, left))
        widths[column], left = widths[column] + more, left - more
    shown = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, _GAP - 1, 0, 0))
    for column, head in title.items():
        justify: Any = "right" if column in right else "left"
        shown.add_column(Text(head), justify=justify, width=widths[column], overflow="fold")
    for row in cells:
        shown.add_row(*(Text(row[column]) for column in title))
    Console(width=room, highlight=False).print(shown)


def _as_records(cells: Sequence[Mapping[str, str]], title: Mapping[str, str], room: int) -> None:
    """One record below another: a line a column, a text that is too long for it broken between words."""
    margin = max(map(len, title.values())) + _GAP
    margin = margin if margin <= room // 2 else _GAP
    for place, row in enumerate(cells):
        if place:
            say()
        for column, head in title.items():
            if row[column] not in ("", _UNKNOWN):
                first = head.ljust(margin) if len(head) < margin else f"{head}: "
                print("\n".join(_folded(f"{first}{row[column]}", room, " " * margin)))


_UNKNOWN = "-"


def _text(value: Any, hundredfold: str | None = None) -> str:
    if value is None:
        return _UNKNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float | int) and hundredfold is not None:
        return f"{_hundredfold(100 * value)} %" if hundredfold == "%" else _hundredfold(100 * value, hundredfold)
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, list | tuple):
        return escape_terminal("; ".join(map(str, value)), lines=False)
    return escape_terminal(str(value), lines=False)


def _hundredfold(value: float, sign: str = "") -> str:
    """With one decimal, more where a small one would be 0; `sign` + has every number signed."""
    if value and abs(value) < 0.05:
        return f"{value:{sign}.1g}" if abs(value) >= 0.0001 else f"{value:{sign}.7f}"
    return f"{value:{sign}.1f}"


def _number(value: float, digits: int = 4) -> str:
    """So many digits that count, never with an exponent: nobody reads money as 3.716e+04."""
    if abs(value) >= 10 ** (digits - 1) or (value == round(value) and abs(value) >= 100):
        return f"{value:.0f}"
    return f"{value:.{digits}g}" if abs(value) >= 0.0001 else f"{value:.7f}".rstrip("0").rstrip(".")
