"""Learning curves from records that tell the figures by hand."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pipeline.measures.run import Result, Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory


def computed(minutes: dict[str, list[float | None]], by: tuple[str, ...] = ()) -> Result:
    """The measure `learning` of dentists whose cases with one sequence took so many minutes, one a day."""
    connection = in_memory()
    treatments: list[tuple[Any, ...]] = []
    canals: list[tuple[Any, ...]] = []
    for dentist, times in minutes.items():
        for i, time in enumerate(times):
            key, day = f"{dentist}-{i:03d}", dt.date(2025, 1, 1) + dt.timedelta(i)
            start = dt.datetime.combine(day, dt.time(9))
            finish = None if time is None else start + dt.timedelta(minutes=time)
            treatments.append((key, key, 11, dentist, "primary", day, "completed", len(treatments)))
            canals.append((key, "S", "A", start if finish else None, finish, len(canals)))
    connection.executemany(
        "insert into treatments (treatment_id, patient_id, tooth, dentist, kind, started_on, status, record_no, "
        "practice, batch_id, source_row) values (?, ?, ?, ?, ?, ?, ?, ?, 'p', 1, 1)",
        treatments,
    )
    connection.executemany(
        "insert into canals (treatment_id, canal, sequence, started_at, finished_at, record_no, practice, batch_id, "
        "source_row) values (?, ?, ?, ?, ?, ?, 'p', 2, 1)",
        canals,
    )
    return Workspace(connection, Settings()).compute("learning", by)


def test_each_ten_is_compared_with_the_dentists_own_later_cases() -> None:
    """D1: 20, 15 and 12 minutes, then 10. D2 is twice as slow throughout and learns nothing."""
    d1 = [20.0] * 10 + [15.0] * 10 + [12.0] * 30 + [10.0] * 10
    found = computed({"D1": d1, "D2": [20.0] * 60})
    ratios = {(row["dentist"], row["cases"]): row["estimate"] for row in found.rows}
    tens = ("1-10", "11-20", "21-30", "31-40", "41-50")
    assert ratios == {("D1", c): r for c, r in zip(tens, (2, 1.5, 1.2, 1.2, 1.2), strict=True)} | {
        ("D2", c): 1 for c in tens
    }
    assert [row["cases"] for row in found.rows] == [*tens, *tens]
    assert all((row["n"], row["n_reference"]) == (10, 10) for row in found.rows)
    assert found.rows[0]["median"] == 20
    assert found.rows[0]["plateau_median"] == 10


def test_cases_without_times_are_experience_too() -> None:
    """The second case was not timed: it is the second all the same, and the eleventh is none of the first ten."""
    times: list[float | None] = [20.0, None, *[20.0] * 8, *[10.0] * 50]
    found = computed({"D1": times})
    first = found.rows[0]
    assert (first["cases"], first["n"], first["estimate"]) == ("1-10", 9, 2)
    assert found.left_out == [{"reason": "no canal of the tooth has times of its own", "n": 1}]


def test_fewer_than_sixty_cases_are_left_out() -> None:
    found = computed({"D1": [10.0] * 59})
    assert found.rows == []
    assert [row["n"] for row in found.left_out] == [59]


def test_few_timed_later_cases_are_too_few() -> None:
    times: list[float | None] = [20.0] * 50 + [10.0] * 4 + [None] * 6
    found = computed({"D1": times})
    assert found.suppressed == 1
    assert all(row["too_few"] and row["estimate"] is None for row in found.rows)


@pytest.mark.parametrize("by", [("cases",), ("dentist",), ("tooth_type",)])
def test_other_groups_keep_dentists_apart(by: tuple[str, ...]) -> None:
    found = computed({"D1": [20.0] * 10 + [10.0] * 50, "D2": [60.0] * 60}, by)
    assert {(row["dentist"], row["estimate"]) for row in found.rows if row["cases"] == "1-10"} == {("D1", 2), ("D2", 1)}
