"""Follow-ups as facts, what else is known of a tooth, and which visit a flare-up belongs to."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

Facts = Callable[..., list[dict[str, Any]]]
TREATMENTS = """
    treatment_id | patient_id | birth_year | tooth | kind        | preop_pai | started_on | completed_on | status
    T1           | A          | 1980       | 16    | primary     | 4         | 2023-12-20 | 2024-01-05   | completed
"""


@pytest.mark.parametrize(
    ("image", "pai", "pain", "sinus_tract", "present", "state"),
    [
        ("periapical", 2, False, None, True, "healed"),
        ("periapical", 3, False, None, True, "not healed"),
        ("periapical", 1, False, True, True, "not healed"),
        ("none", None, True, None, True, "not healed"),
        ("none", None, False, False, True, None),
        ("cbct", 1, False, False, True, None),
        ("cbct", 5, True, False, True, "not healed"),
        ("periapical", 1, None, None, True, None),
        ("periapical", None, False, None, True, None),
        (None, 1, False, None, True, None),
        ("periapical", 5, True, None, False, None),
    ],
)
def test_state_at_one_follow_up(
    facts: Facts,
    image: str | None,
    pai: int | None,
    pain: bool | None,
    sinus_tract: bool | None,
    present: bool,
    state: str,
) -> None:
    seen = {
        "follow_up_id": "F1",
        "treatment_id": "T1",
        "seen_on": dt.date(2025, 1, 5),
        "image": image,
        "pai": pai,
        "pain": pain,
        "sinus_tract": sinus_tract,
        "tooth_present": present,
    }
    (row,) = facts("follow_up_facts", treatments=TREATMENTS, follow_ups=[seen])
    assert row["state"] == state
    assert row["months"] == pytest.approx(366 / 30.4375)


def test_follow_ups_after_the_day_are_not_known(facts: Facts) -> None:
    later = [{"follow_up_id": "F1", "treatment_id": "T1", "seen_on": dt.date(2026, 7, 1), "tooth_present": True}]
    assert facts("follow_up_facts", treatments=TREATMENTS, follow_ups=later) == []


def test_treated_again_is_the_same_tooth_of_the_same_patient_after_completion(facts: Facts) -> None:
    rows = facts(
        "tooth_facts",
        treatments="""
            treatment_id | patient_id | birth_year | tooth | kind        | started_on | completed_on | status
            first        | A          | 1980       | 16    | primary     | 2024-01-05 | 2024-01-05   | completed
            other tooth  | A          | 1980       | 17    | retreatment | 2025-01-05 | 2025-01-05   | completed
            second       | A          | 1980       | 16    | retreatment | 2025-03-05 | 2025-03-20   | completed
            third        | A          | 1980       | 16    | retreatment | 2026-03-05 |              | in progress
            too late     | A          | 1980       | 16    | retreatment | 2026-07-05 |              | in progress
            neighbour    | B          |            | 16    | primary     | 2024-01-05 | 2024-01-05   | completed
        """,
    )
    found = {row["treatment_id"]: row for row in rows}
    assert found["first"]["retreated_on"] == dt.date(2025, 3, 5)
    assert found["second"]["retreated_on"] == dt.date(2026, 3, 5)
    assert {found[t]["retreated_on"] for t in ("other tooth", "neighbour")} == {None}
    assert (found["first"]["age"], found["third"]["age"], found["neighbour"]["age"]) == (44, 46, None)


def test_surgery_is_the_first_one_known_by_the_day(facts: Facts) -> None:
    seen = [
        {
            "follow_up_id": f"F{i}",
            "treatment_id": "T1",
            "seen_on": dt.date(2025, i, 20),
            "tooth_present": True,
            "surgery_on": on,
        }
        for i, on in ((3, dt.date(2025, 3, 1)), (6, dt.date(2025, 5, 1)), (2, None))
    ]
    (row,) = facts("tooth_facts", treatments=TREATMENTS, follow_ups=seen)
    assert row["surgery_on"] == dt.date(2025, 3, 1)


def test_incidents_of_a_tooth_count_each_separation_once(facts: Facts) -> None:
    (row,) = facts(
        "tooth_facts",
        treatments=TREATMENTS,
        instrument_uses="""
            use_id | treatment_id | canal | step | size | taper | motion   | result
            U1     | T1           | MB    | 1    | 25   | 0.06  | rotation | separated
        """,
        incidents="""
            incident_id | treatment_id | canal | kind       | occurred_at
            N1          | T1           | MB    | separation | 2024-01-05 09:30
            N2          | T1           | P     | ledge      | 2024-01-05 09:50
        """,
    )
    assert (row["separations"], row["incidents"]) == (1, 2)


def test_a_flare_up_belongs_to_the_visit_before_it(facts: Facts) -> None:
    rows = facts(
        "treatment_visits",
        treatments=TREATMENTS,
        visits="""
            visit_id | treatment_id | dentist | seated_at        | left_at          | reason
            V1       | T1           | D1      | 2024-01-05 09:00 | 2024-01-05 10:00 | planned
            V2       | T1           | D1      | 2024-01-06 09:00 | 2024-01-06 10:00 | planned
            V3       | T1           | D1      | 2024-01-10 09:00 | 2024-01-10 09:20 | pain or swelling
            V4       | T1           | D1      | 2024-01-18 09:00 | 2024-01-18 09:20 | pain or swelling
            V5       | T1           | D1      | 2024-01-25 23:00 | 2024-01-25 23:20 | pain or swelling
            V6       | T1           | D1      | 2024-01-26 09:00 | 2024-01-26 09:20 |
            V7       | T1           | D1      | 2026-06-25 09:00 | 2026-06-25 09:20 | planned
        """,
    )
    # V3 within 7 days of V1 and of V2 counts once; V4 is 8 days after V3, V5 on the seventh day after V4; V6 has no
    # reason; V7 was 5 days before the day the data ends.
    assert {row["visit_id"]: row["flare_up"] for row in rows} == {
        "V1": 0,
        "V2": 1,
        "V3": 0,
        "V4": 1,
        "V5": None,
        "V6": 0,
        "V7": None,
    }
