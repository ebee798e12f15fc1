"""A workspace that was asked much answers as a new one: tables that stay for the next question change no figure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.measures import run
from pipeline.measures.catalogue import catalogue
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import open_store

SETTINGS = Settings.model_validate(
    {
        "reporting": {"smallest_group": 1},
        "standard": [{"measure": "recall_share", "target": 0.7}, {"measure": "visits_per_tooth", "target": 2.0}],
    }
)
QUESTIONS: list[tuple[str, dict[str, Any]]] = [
    ("separations_per_100_canals", {}),
    ("separations_per_100_canals", {"by": ("sequence",)}),
    ("separations_per_100_canals", {"by": ("quarter",), "where": {"tooth_type": "molar"}}),
    ("standards", {}),  # asks other measures on the same connection
    ("separations_per_100_canals", {"start": dt.date(2025, 1, 1)}),
    ("chair_minutes_per_canal", {"by": ("dentist",)}),
    ("sequence_comparison", {}),
    ("sequence_comparison", {"by": ("dentist",)}),
    ("sequence_comparison", {"by": ("year",)}),
    ("incident_list", {"where": {"incident": "separation"}}),
    ("incident_list", {}),
]


@pytest.fixture
def connection(filled: Path) -> Iterator[Any]:
    with open_store(filled) as connection:
        yield connection


def answers(workspace: Workspace) -> list[dict[str, Any]]:
    return [workspace.compute(name, **question).as_json() for name, question in QUESTIONS]


@pytest.mark.parametrize("most_values", [0, 10**9])
def test_each_question_is_answered_as_if_it_were_the_first(
    connection: Any, monkeypatch: pytest.MonkeyPatch, most_values: int
) -> None:
    monkeypatch.setattr(run, "MOST_VALUES", most_values)
    alone = [Workspace(connection, SETTINGS).compute(name, **question).as_json() for name, question in QUESTIONS]
    workspace = Workspace(connection, SETTINGS)
    assert answers(workspace) == alone
    assert answers(workspace)[::-1] == alone[::-1]
    assert sum(len(answer["rows"]) for answer in alone) > 20


def test_another_day_is_another_workspace_with_its_own_units(connection: Any) -> None:
    now = Workspace(connection, SETTINGS).compute("recall_share").rows
    early = Workspace(connection, SETTINGS, as_of=dt.date(2000, 1, 1)).compute("recall_share").rows
    assert now and not early


def test_all_values_are_pythons_own(connection: Any) -> None:
    """NumPy's numbers would call themselves np.float64(0.5) in files and on pages."""
    workspace = Workspace(connection, SETTINGS)
    own = {type(None), bool, int, float, str, list, tuple, dt.date, dt.datetime}
    for name in catalogue():
        if not workspace.missing(name):
            for row in workspace.compute(name).rows:
                assert {type(value) for value in row.values()} <= own, (name, row)


def test_years_can_be_compared(connection: Any) -> None:
    rows = Workspace(connection, SETTINGS).compute("sequence_comparison", by=("year",)).rows
    assert rows and all(row["year"].isdigit() and row["reference"].isdigit() for row in rows)
