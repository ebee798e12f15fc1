"""Minutes over a change of the clock are those that passed: Europe/Berlin 2026, 29 March 2:00 and 25 October 3:00.

Directive 2000/84/EC: on the last Sunday of March and of October at 1:00 UTC.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

from pipeline.facts.prepare import clock_spans
from pipeline.measures.catalogue import Example, find
from pipeline.measures.examples import run

Facts = Callable[..., list[dict[str, Any]]]
BERLIN = {"time_zone": "Europe/Berlin"}
NIGHTS = [("2026-03-29", 60), ("2026-10-25", 180), ("2026-10-24", 120)]  # 01:30 to 03:30 on these days, in minutes


def emergency(day: str, seated: str = "01:30:00", left: str = "03:30:00") -> dict[str, str]:
    return {
        "treatments": f"""
            treatment_id | patient_id | tooth | dentist | kind    | started_on | completed_on | status
            T1           | A          | 16    | D1      | primary | {day}      | {day}        | completed
        """,
        "visits": f"""
            visit_id | treatment_id | dentist | chair | seated_at      | left_at       | booked_minutes
            V1       | T1           | D1      | 1     | {day} {seated} | {day} {left}  | 30
        """,
        "canals": f"""
            treatment_id | canal | sequence | started_at     | finished_at
            T1           | P     | A        | {day} {seated} | {day} {left}
        """,
        "instrument_uses": f"""
            use_id | treatment_id | canal | step | size | taper | motion   | started_at     | seconds | result
            U1     | T1           | P     | 1    | 25   | 0.06  | rotation | {day} 01:58:00 | 60      | intact
            U2     | T1           | P     | 2    | 30   | 0.06  | rotation | {day} 03:01:00 | 60      | intact
        """,
    }


def figure(measure: str, given: dict[str, str], *by: str) -> tuple[Any, list[Any]]:
    result = run(
        find(measure), Example(says="", given=given, expect="", by=by, settings=BERLIN, as_of=dt.date(2026, 12, 31))
    )
    return (result.rows[0]["estimate"] if result.rows else None), result.left_out


@pytest.mark.parametrize(("day", "minutes"), NIGHTS)
@pytest.mark.parametrize(
    ("measure", "less"),
    [
        ("chair_minutes_per_visit", 0),
        ("chair_minutes_per_tooth", 0),
        ("chair_minutes_per_canal", 0),
        ("booking_overrun", 30),
    ],
)
def test_minutes_are_those_that_passed(measure: str, less: int, day: str, minutes: int) -> None:
    assert figure(measure, emergency(day)) == (minutes - less, [])


def test_a_canal_estimated_from_its_visit_has_true_minutes() -> None:
    given = emergency("2026-03-29")
    given["canals"] = given["canals"].replace("2026-03-29 01:30:00", "").replace("2026-03-29 03:30:00", "")
    assert figure("chair_minutes_per_canal", given, "basis")[0] == 60


def test_shaping_over_the_change(facts: Facts) -> None:
    """From 1:58 to 3:01 are 3 minutes in March; 1 more for the last use. In October 123: a gap of 2 hours, cut."""
    spring, autumn = (facts("canal_shaping", settings=BERLIN, **emergency(day))[0] for day, _ in NIGHTS[:2])
    assert (spring["minutes"], spring["gaps"]) == (4, 0)
    assert (autumn["minutes"], autumn["gaps"], autumn["gap_minutes"]) == (2, 1, 122)


@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25"])
def test_an_hour_that_comes_twice_or_never_is_no_time(day: str) -> None:
    given = emergency(day, left="02:30:00")
    for measure in ("chair_minutes_per_visit", "chair_minutes_per_tooth", "chair_minutes_per_canal", "booking_overrun"):
        found, left_out = figure(measure, given)
        assert found is None and "the hour in which the clock was changed" in left_out[0]["reason"], measure


def test_two_patients_in_a_chair_over_the_change(facts: Facts) -> None:
    """B is seated at 3:10 in March, ten minutes before A leaves at 3:20: A 0:50 of true time, B to 3:40 the last 20."""
    given = emergency("2026-03-29", left="03:20:00")
    given["treatments"] += (
        "    T2           | B          | 17    | D1      | primary | 2026-03-29 | 2026-03-29   | completed\n"
    )
    given["visits"] += "    V2 | T2 | D1 | 1 | 2026-03-29 03:10:00 | 2026-03-29 03:40:00 | 30\n"
    rows = {row["visit_id"]: row["minutes"] for row in facts("visit_facts", settings=BERLIN, **given)}
    assert rows == {"V1": 50, "V2": 20}


def test_the_clock_of_berlin_and_one_that_never_changes() -> None:
    spans = [s for s in clock_spans("Europe/Berlin", 2027) if s[0].year == 2026]
    at = dt.datetime
    assert spans == [
        (at(2026, 3, 29, 2), at(2026, 3, 29, 3), 3600, True),
        (at(2026, 3, 29, 3), at(2026, 10, 25, 2), 7200, False),
        (at(2026, 10, 25, 2), at(2026, 10, 25, 3), 7200, True),
        (at(2026, 10, 25, 3), at(2027, 3, 28, 2), 3600, False),
    ]
    assert clock_spans("UTC", 2027) == [(at(1900, 1, 1), at(2200, 1, 1), 0, False)]
