"""A separation whose place is not known is counted among what a figure leaves out: no event vanishes."""

from __future__ import annotations

import pytest

from pipeline.measures.catalogue import Example, find
from pipeline.measures.examples import run

GIVEN = {
    "treatments": """
        treatment_id | patient_id | tooth | dentist | kind    | started_on | status
        T1           | A          | 16    | D1      | primary | 2026-01-05 | completed
        T2           | B          | 11    | D2      | primary | 2026-01-06 | completed
    """,
    "canals": """
        treatment_id | canal | sequence
        T1           | MB    | A
        T1           | P     | A
        T2           | S     | B
    """,
    "instruments": """
        instrument_id | lot | size | taper | motion   | received_on
        I1            | L1  | 25   | 0.06  | rotation | 2026-01-05
    """,
    "instrument_uses": """
        use_id | treatment_id | canal | step | instrument_id | size | taper | motion   | speed_rpm | seconds | result
        U1     | T1           | MB    | 1    | I1            | 25   | 0.06  | rotation | 300       | 60      | separated
        U2     | T2           | S     | 1    | I2            | 25   | 0.06  | rotation | 300       | 60      | intact
    """,
    "incidents": """
        incident_id | treatment_id | canal | kind       | occurred_at
        X1          | T1           | MB    | separation | 2026-01-05 09:30:00
        X2          | T1           | P     | separation | 2026-01-05 09:40:00
        X3          | T2           |       | separation | 2026-01-06 09:30:00
        X4          | T9           | D     | separation | 2026-01-06 09:30:00
    """,
}
SEPARATIONS = 4  # X1 is U1


@pytest.mark.parametrize(
    ("measure", "counted", "left_out"),
    [
        ("separations_per_1000_uses", 1, {"separation that names no canal": 1, "separation in a canal without": 2}),
        ("separation_comparison", 1, {"separation that names no canal": 1, "separation in a canal without": 2}),
        ("separations_by_lot", 1, {"lot": 1, "separation that names no canal": 1, "separation in a canal without": 2}),
        ("separations_per_100_canals", 2, {"separation that names no canal, or": 2}),
        ("separation_gaps", 2, {"separation that names no canal, or": 2}),
        ("separations_per_100_teeth", 3, {"separation in a tooth": 1}),
        ("separations_per_100k_turns", 1, {"separation of an instrument without": 3}),
    ],
)
def test_events_counted_and_left_out_are_all_there_are(measure: str, counted: int, left_out: dict[str, int]) -> None:
    result = run(find(measure), Example(says="", given=GIVEN, expect=""))
    row = result.rows[0]
    assert row["events"] + row.get("events_reference", 0) == counted
    found = {row["reason"]: row["n"] for row in result.left_out}
    assert len(found) == len(left_out)
    for start, n in left_out.items():
        assert next(many for reason, many in found.items() if reason.startswith(start)) == n, found
    assert counted + sum(n for start, n in left_out.items() if start != "lot") == SEPARATIONS
