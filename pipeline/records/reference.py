"""The columns of the records for whoever exports them: python -m pipeline.records.reference writes reference.md."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from importlib.resources import as_file, files

from pipeline.records import KINDS, Column, Kind, Range

_TYPE = {"int": "whole number", "bool": "yes or no", "timestamp": "time"}
_ABOUT = """\
# Columns of the records

Made from pipeline/records/KIND.toml by `python -m pipeline.records.reference`; `canalwise columns` prints it.

A file with these headers needs no mapping. *Filled in* says what a record must have: its *key* names it; one that lacks
what must *always* be filled in is refused; one that lacks what *should be* is kept and listed, and left out where a
figure needs it. Any other column may be missing or empty.

Dates are written 2026-03-31, times 2026-03-31 09:30 (local clock time), decimals with a point, yes and no as
true/false, yes/no or 1/0. Case and spaces in the words of a list never matter; what is in no list leaves its cell
empty, and so is a number that lies beyond what it can, or a date before 1950 or, but for the day of expiry, in the
future; where the column must be filled in, its record is refused. What is merely unusual is kept, with a warning. Any
kind may also have a `practice` column.
"""


def rows(kind: Kind) -> list[dict[str, str]]:
    """A row a column: `column`, `type` with its unit, `filled_in` and `meaning`, with the words that it takes."""
    return [
        {
            "column": column.name,
            "type": ", ".join(filter(None, (_TYPE.get(column.type, column.type), column.unit))),
            "filled_in": _filled_in(column),
            "meaning": _meaning(column),
        }
        for column in kind.columns
    ]


def as_json(kind: Kind) -> list[dict[str, object]]:
    """The same for machines: the words that a column takes as a list."""
    return [
        {
            "kind": kind.name,
            "column": column.name,
            "type": column.type,
            "unit": column.unit or None,
            "filled_in": _filled_in(column) or None,
            "about": column.about,
            "values": list(column.values),
            "usual_values": list(column.usual_values),
            "range": _ends(column.range),
            "usual_range": _ends(column.usual_range),
        }
        for column in kind.columns
    ]


def _filled_in(column: Column) -> str:
    if column.key:
        return "key"
    return "always" if column.required else "should be" if column.expected else ""


def _meaning(column: Column) -> str:
    return ". ".join(filter(None, (column.about, takes(column))))


def takes(column: Column) -> str:
    """The words or numbers that a column takes, and those that are usual: `Takes: 3 to 45. Usually: 8 to 35`."""
    takes, usual = column.values, column.usual_values
    told = (
        ("Takes", _in_words(takes) if takes else _from_to(column.range)),
        ("Usually", _in_words(usual) if usual else _from_to(column.usual_range)),
    )
    return ". ".join(f"{which}: {words}" for which, words in told if words)


def _from_to(range_: Range | None) -> str:
    if range_ is None:
        return ""
    low, high = (f"{end:,.10g}" for end in (range_.low, range_.high))
    if math.isinf(range_.high):
        return f"{low} and more"
    return f"up to {high}" if math.isinf(range_.low) else f"{low} to {high}"


def _ends(range_: Range | None) -> list[float | None] | None:
    """Both ends of a range; None where there is none."""
    return [end if math.isfinite(end) else None for end in (range_.low, range_.high)] if range_ else None


def _in_words(values: Sequence[str | int]) -> str:
    """A list in a line; of numbers that follow each other only the ends."""
    told: list[list[str | int]] = []
    for value in values:
        if isinstance(value, int) and told and told[-1][-1] == value - 1:
            told[-1] = [told[-1][0], value]
        else:
            told.append([value])
    return ", ".join("-".join(map(str, ends)) for ends in told)


def text(kinds: Mapping[str, Kind] = KINDS) -> str:
    """The whole reference, as Markdown."""
    parts = [_ABOUT]
    for kind in kinds.values():
        parts.append(f"\n## {kind.name}\n\n{kind.title[0].upper()}{kind.title[1:]}. Dated by `{kind.dated_by}`.\n\n")
        parts.append("| column | type | filled in | meaning |\n| --- | --- | --- | --- |\n")
        parts += [f"| {' | '.join(row.values())} |\n" for row in rows(kind)]
    return "".join(parts)


def main() -> None:
    """Write reference.md beside this file."""
    with as_file(files(__package__) / "reference.md") as path:
        path.write_text(text(), encoding="utf-8")


if __name__ == "__main__":
    main()
