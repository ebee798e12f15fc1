"""Tables of validation: results of runs as data files (validation/NAME.json), written by the tests that make them.

Nothing is computed here but which lines of them lie outside what they should hold.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files

WANTED, AT_LEAST = "93 to 97 %", "93 % or more"  # what a column "should be" says of intervals that promise 95 %
LEAST, MOST = 93.0, 97.0


@dataclass(frozen=True)
class Table:
    """A result: on which day it was made, of what, from which seeds; cells as they are read."""

    title: str
    made_on: str
    drawn: str
    seeds: str
    columns: list[str]
    rows: list[list[str]]


@dataclass(frozen=True)
class Covered:
    """How often, in per cent, the interval of a figure held the truth, and what was wanted of it."""

    table: str
    figure: str
    told: str
    per_cent: float
    should_be: str


def names() -> list[str]:
    """The tables that there are."""
    folder = files("pipeline.guide") / "validation"
    return sorted(f.name.removesuffix(".json") for f in folder.iterdir() if f.name.endswith(".json"))


def read(name: str) -> Table:
    """The table of that name. FileNotFoundError where there is none."""
    path = files("pipeline.guide") / "validation" / f"{name}.json"
    return Table(**json.loads(path.read_text(encoding="utf-8")))


def markdown(table: Table) -> str:
    """The table as Markdown, without its title."""
    lines = [table.columns, ["---"] * len(table.columns), *table.rows]
    return "\n".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in line)} |" for line in lines)


def covered(name: str) -> Iterator[Covered]:
    """Each share of intervals that held the truth, of a table with columns `covered` and `should be`; else none."""
    table = read(name)
    if "should be" not in table.columns:
        return
    shares = [i for i, column in enumerate(table.columns) if column.startswith(("covered", "SD "))]
    texts = [i for i, column in enumerate(table.columns) if i == 0 or column == "figure"]
    for row in table.rows:
        for i in shares:
            if found := re.match(r"([\d.]+) %", row[i]):
                alike = re.search(r"SD \d", table.columns[i])
                figure = ", ".join(filter(None, (*(row[j] for j in texts), alike and alike[0])))
                should_be = row[table.columns.index("should be")]
                yield Covered(table.title, figure, row[i], float(found[1]), should_be)
