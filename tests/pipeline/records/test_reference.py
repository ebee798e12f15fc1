"""The reference of columns: as the record kinds have it, and printed by the program."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from typing import Any

from pipeline.records import KINDS
from pipeline.records.reference import rows, text


def test_it_is_what_the_kinds_say() -> None:
    there = (files("pipeline.records") / "reference.md").read_text(encoding="utf-8")
    assert there == text(), "run python -m pipeline.records.reference"


def test_every_column_and_every_word_is_in_it() -> None:
    for kind in KINDS.values():
        told = {row["column"]: row for row in rows(kind)}
        assert tuple(told) == kind.names
        for column in kind.columns:
            assert column.unit in told[column.name]["type"]
            assert all(str(v) in told[column.name]["meaning"] for v in (*column.values, *column.usual_values)) or (
                column.name == "tooth" and "11-18, 21-28" in told["tooth"]["meaning"]
            )


def test_the_command(canalwise: Callable[..., Any]) -> None:
    overview = canalwise("columns")
    assert all(f"\n{name} " in overview.out for name in KINDS)
    visits = canalwise("columns", "visits").out
    assert "decimal, minutes" in visits and "planned, pain or swelling" in visits
    found = canalwise("columns", "--json").json
    assert [(row["kind"], row["column"]) for row in found] == [(k.name, c) for k in KINDS.values() for c in k.names]
    assert canalwise("columns", "canals", "--json").json[1]["usual_values"][0] == "B"
    wrong = canalwise("columns", "visit")
    assert wrong.code == 2 and "there is no kind of records 'visit'" in wrong.err
