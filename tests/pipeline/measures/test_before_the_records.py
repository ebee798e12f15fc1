"""Instruments that may have been used before the records begin: no figure counts their uses from a wrong first one."""

from __future__ import annotations

import datetime as dt

import pytest

from pipeline.measures.catalogue import Example, find
from pipeline.measures.examples import run

# Old was received before the first recorded use, new on its day; each has two canals, in the second it separates.
GIVEN = {
    "canals": """
        treatment_id | canal | sequence
        T1           | B     | A
        T1           | P     | A
    """,
    "instruments": """
        instrument_id | size | taper | motion   | use_limit | received_on | retired_on | retired_reason
        old           | 25   | 0.06  | rotation | 1         | 2025-12-31  | 2026-02-01 | separated
        new           | 25   | 0.06  | rotation | 1         | 2026-01-05  | 2026-02-01 | separated
    """,
    "instrument_uses": """
        use_id | treatment_id | canal | step | instrument_id | size | taper | motion   | speed_rpm | seconds | started_at          | result
        U1     | T1           | B     | 1    | old           | 25   | 0.06  | rotation | 300       | 60      | 2026-01-05 09:00:00 | intact
        U2     | T1           | P     | 1    | old           | 25   | 0.06  | rotation | 300       | 60      | 2026-01-05 09:10:00 | separated
        U3     | T1           | B     | 2    | new           | 25   | 0.06  | rotation | 300       | 60      | 2026-01-05 09:20:00 | intact
        U4     | T1           | P     | 2    | new           | 25   | 0.06  | rotation | 300       | 60      | 2026-01-05 09:30:00 | separated
    """,  # noqa: E501
}
MEASURES = {
    "instrument_life": 1,  # units left out
    "instrument_hazard": 1,
    "uses_per_instrument": 1,
    "over_limit_uses": 2,
    "turning_exposure": 1,
    "retired_early": 1,
}


@pytest.mark.parametrize(("measure", "left_out"), MEASURES.items())
def test_they_are_left_out_with_the_reason(measure: str, left_out: int) -> None:
    result = run(find(measure), Example(says="", given=GIVEN, expect="", as_of=dt.date(2026, 6, 30)))
    (reason,) = result.left_out
    assert reason["reason"].startswith("received before the records of uses begin") and reason["n"] == left_out
    assert {row["n"] for row in result.rows} == {left_out}  # as many of the new one


def test_use_numbers_of_incidents_and_factors_are_not_told() -> None:
    sites = run(find("incident_sites"), Example(says="", given=GIVEN, expect=""))
    (told,) = [row for row in sites.rows if row["characteristic"] == "use number"]
    assert (told["level"], told["n"], told["not_recorded"]) == ("2", 1, 1)
    known = {**GIVEN, "instruments": GIVEN["instruments"].replace("2025-12-31", "2026-01-05")}
    sites = run(find("incident_sites"), Example(says="", given=known, expect=""))
    (told,) = [row for row in sites.rows if row["characteristic"] == "use number"]
    assert (told["level"], told["n"], told["not_recorded"]) == ("2", 2, 0)
