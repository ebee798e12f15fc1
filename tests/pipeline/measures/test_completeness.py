"""Which measures are starved of records: all columns a measure needs, of the records that should have them."""

from __future__ import annotations

import datetime as dt
from typing import Any

from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory


def completeness(kind: str, columns: str, *records: tuple[Any, ...]) -> dict[tuple[str, str], dict[str, Any]]:
    connection = in_memory()
    names = columns.split()
    for n, record in enumerate(records):
        connection.execute(
            f"insert into {kind} ({', '.join(names)}, practice, batch_id, record_no) "
            f"values ({', '.join('?' * len(names))}, 'here', 1, {n})",
            list(record),
        )
    rows = Workspace(connection, Settings(), dt.date(2026, 6, 30)).compute("completeness").rows
    return {(row["measure"], row["record_kind"]): row for row in rows}


def test_an_empty_store_has_nothing_to_complete() -> None:
    assert completeness("canals", "canal") == {}


def test_a_record_is_complete_when_all_columns_of_a_measure_are_filled() -> None:
    found = completeness(
        "canals",
        "treatment_id canal filling_extent_mm filling_voids not_treated",
        ("T1", "MB", -1.0, False, None),
        ("T1", "DB", -1.0, None, None),
        ("T1", "P", None, None, None),
        ("T2", "S", 0.0, True, None),
        ("T1", "MB2", None, None, "calcified"),
    )
    row = found["filling_quality", "canals"]
    assert (row["columns"], row["records"], row["complete"]) == ("filling_extent_mm, filling_voids", 4, 2)
    assert (row["estimate"], row["most_often_blank"]) == (0.5, "filling_voids")
    # Wilson 2/4: 0.5 +- 0.35 (recomputed by hand: z^2 = 3.8415, (4 + 3.8415 +- 1.96 sqrt(3.8415 + 4)) / (2 x 7.8415)).
    assert abs(row["low"] - 0.15004) < 1e-4
    assert abs(row["high"] - 0.84996) < 1e-4


def test_a_treatment_that_is_not_completed_may_be_without_a_day_of_completion() -> None:
    found = completeness(
        "treatments",
        "treatment_id patient_id completed_on status",
        ("T1", "A", dt.date(2026, 1, 5), "completed"),
        ("T2", "B", None, "in progress"),
        ("T3", "C", None, "completed"),
    )
    row = found["recall_share", "treatments"]
    assert (row["records"], row["complete"], row["most_often_blank"]) == (2, 1, "completed_on")
    full = completeness("treatments", "treatment_id completed_on status", ("T1", dt.date(2026, 1, 5), "completed"))
    assert full["recall_share", "treatments"]["most_often_blank"] is None
