"""What the runner gives a kind of measure: counted units, the answers of other measures, or the records themselves."""

from __future__ import annotations

import datetime as dt
from importlib import import_module
from importlib.resources import files
from typing import Any

import pytest

from pipeline.measures.catalogue import catalogue, find
from pipeline.measures.kinds import standards
from pipeline.measures.kinds._common import Answer
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory

FUNCTIONS = ("rows", "rows_of_answers", "rows_of_records")
KINDS = sorted(
    path.name.removesuffix(".py")
    for path in files("pipeline.measures.kinds").iterdir()
    if path.name.endswith(".py") and not path.name.startswith("_")
)


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_has_one_function(kind: str) -> None:
    module = import_module(f"pipeline.measures.kinds.{kind}")
    assert sum(hasattr(module, name) for name in FUNCTIONS) == 1


def test_only_a_measure_of_records_has_no_units() -> None:
    for measure in catalogue().values():
        of_records = hasattr(import_module(f"pipeline.measures.kinds.{measure.kind}"), "rows_of_records")
        assert of_records == (not measure.sql), measure.name
        assert of_records == (not measure.columns), measure.name


def test_a_kind_made_of_answers_is_handed_who_answers() -> None:
    """No store is asked: the standards are held against what `ask` says, for the periods that they want."""
    asked: list[Any] = []

    def ask(name: str, start: dt.date | None = None, end: dt.date | None = None) -> Answer:
        asked.append((name, start, end))
        if name == "recall_share":
            return Answer("share", [], ("no follow ups",))
        rows = (
            {"estimate": 0.8, "low": 0.75, "high": 0.85, "n": 9}
            if start
            else {"estimate": 0.5, "low": 0.4, "high": 0.6}
        )
        return Answer("share", [rows])

    connection = in_memory()
    connection.execute(
        """create temp table lines as select * from (values
               (1, 'rubber_dam_share', 0.7, 'at least', date '2026-02-01', null),
               (2, 'recall_share', 0.7, 'at least', null, null))
               as t (place, measure, target, direction, since, note)"""
    )
    first, second = standards.rows_of_answers(connection, "lines", ask)
    assert (first["verdict"], first["n"], first["before"], first["trend"]) == ("met", 9, 0.5, "better")
    assert (second["verdict"], second["lacking"]) == ("cannot be told yet", "no follow ups")
    assert asked == [
        ("rubber_dam_share", dt.date(2026, 2, 1), None),
        ("rubber_dam_share", None, dt.date(2026, 1, 31)),
        ("recall_share", None, None),
    ]


def test_what_a_measure_asks_leaves_its_own_units_kept() -> None:
    settings = Settings.model_validate({"standard": [{"measure": "rubber_dam_share", "target": 0.7}]})
    connection = in_memory()
    connection.execute(
        """insert into visits (visit_id, treatment_id, dentist, seated_at, left_at, rubber_dam, practice,
               batch_id, record_no)
           values ('V1', 'T1', 'D1', '2026-01-05 09:00:00', '2026-01-05 10:00:00', true, 'here', 1, 1)"""
    )
    workspace = Workspace(connection, settings, dt.date(2026, 6, 30))
    workspace.compute("standards")
    assert connection.execute(f"select measure from {workspace.kept}").fetchall() == [("rubber_dam_share",)]


def test_a_measure_without_units_is_computed_without_any() -> None:
    workspace = Workspace(in_memory(), Settings(), dt.date(2026, 6, 30))
    assert workspace.compute("completeness").left_out == []
    assert find("completeness").groups == ()
    assert workspace.kept == ""
