"""Worked examples of measures: small tables a dentist can read, run on an empty store."""

from __future__ import annotations

from typing import Any

from pipeline.measures.catalogue import Example, Measure
from pipeline.measures.run import Result, Workspace
from pipeline.records import KINDS
from pipeline.settings import Settings
from pipeline.store.database import borrowed


def table(text: str) -> list[dict[str, str | None]]:
    """A text table (`a | b` lines, the first is the header) as rows; an empty cell is None."""
    lines = [[cell.strip() for cell in line.split("|")] for line in text.strip().splitlines()]
    header, *body = lines
    return [{name: cell or None for name, cell in zip(header, row, strict=True)} for row in body]


def run(measure: Measure, example: Example) -> Result:
    """Compute the measure on the records of an example; groups of any size are shown unless the example says so."""
    settings: dict[str, Any] = dict(example.settings)
    smallest = settings.pop("smallest_group", 1)
    read = Settings.model_validate({"reporting": {"smallest_group": smallest}, **settings})
    with borrowed() as connection:
        for kind, text in example.given.items():
            for number, row in enumerate(table(text), start=2):
                _insert(connection, kind, row, number)
        workspace = Workspace(connection, read, example.as_of)
        return workspace.compute(measure.name, example.by, example.start, example.end, example.where)


def _insert(connection: Any, kind: str, row: dict[str, str | None], number: int) -> None:
    batch = list(KINDS).index(kind) + 1
    names = ", ".join(f'"{name}"' for name in row)
    connection.execute(
        f"insert into {kind} ({names}, practice, source_file, source_row, batch_id, record_no) "
        f"values ({', '.join('?' * len(row))}, 'example', '{kind}.csv', {number}, {batch}, {number})",
        list(row.values()),
    )
