"""`recall`: who is due for follow-up on a day, since when, and the riskiest first."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pipeline.measures.examples import table
from pipeline.measures.run import Workspace
from pipeline.questions.recall import due, summary
from pipeline.settings import Settings
from pipeline.store.database import in_memory

TREATMENTS = """
    treatment_id | patient_id | tooth | dentist | kind        | preop_pai | started_on | completed_on | status
    late         | A          | 16    | D1      | primary     | 1         | 2024-01-05 | 2024-01-05   | completed
    lesion       | B          | 11    | D1      | primary     | 4         | 2025-03-05 | 2025-03-05   | completed
    ledge        | C          | 12    | D1      | primary     | 1         | 2025-06-30 | 2025-06-30   | completed
    tomorrow     | D          | 13    | D1      | primary     | 4         | 2025-07-01 | 2025-07-01   | completed
    seen         | E          | 14    | D1      | primary     | 1         | 2024-01-05 | 2024-01-05   | completed
    early        | F          | 15    | D1      | primary     | 1         | 2025-01-05 | 2025-01-05   | completed
    healing      | G          | 24    | D1      | primary     | 5         | 2024-01-05 | 2024-01-05   | completed
    lost         | H          | 25    | D1      | primary     | 1         | 2024-01-05 | 2024-01-05   | completed
    again        | I          | 26    | D1      | primary     | 1         | 2024-01-05 | 2024-01-05   | completed
    second       | I          | 26    | D1      | retreatment | 4         | 2026-01-05 |              | in progress
    old          | J          | 27    | D1      | primary     | 5         | 2020-01-05 | 2020-01-05   | completed
"""
FOLLOW_UPS = """
    follow_up_id | treatment_id | seen_on    | image      | pai | pain  | tooth_present | lost_on
    F1           | seen         | 2025-01-15 | periapical | 1   | false | true          |
    F2           | early        | 2025-05-05 | periapical | 1   | false | true          |
    F3           | healing      | 2025-02-01 | periapical | 3   | false | true          |
    F4           | lost         | 2025-02-01 | none       |     |       | false         | 2024-12-01
    F5           | old          | 2023-06-01 | periapical | 3   | false | true          |
"""
INCIDENTS = """
    incident_id | treatment_id | canal | kind  | occurred_at
    N1          | ledge        | S     | ledge | 2025-06-30 09:30
"""


@pytest.fixture
def rows() -> list[dict[str, Any]]:
    return on(dt.date(2026, 6, 30))


RECORDS = {"treatments": TREATMENTS, "follow_ups": FOLLOW_UPS, "incidents": INCIDENTS}


def on(day: dt.date, records: dict[str, str] = RECORDS, **reporting: Any) -> list[dict[str, Any]]:
    connection = in_memory()
    for kind, text in records.items():
        for number, row in enumerate(table(text), start=2):
            connection.execute(
                f"insert into {kind} ({', '.join(row)}, practice, source_row, batch_id, record_no) "
                f"values ({', '.join('?' * len(row))}, 'here', {number}, 1, {number})",
                list(row.values()),
            )
    return due(Workspace(connection, Settings.model_validate({"reporting": reporting}), day))


def test_the_riskiest_first_then_the_longest_wait(rows: list[dict[str, Any]]) -> None:
    # An incident, then lesions by how long they have waited, then the rest.
    assert [row["treatment_id"] for row in rows] == ["ledge", "healing", "lesion", "late", "early"]
    assert [row["incidents"] for row in rows] == [1, 0, 0, 0, 0]
    assert [row["lesion"] for row in rows] == ["no", "yes", "yes", "no", "no"]


def test_since_when_and_why(rows: list[dict[str, Any]]) -> None:
    found = {row["treatment_id"]: row for row in rows}
    # Twelve calendar months after completion, that very day included; a follow-up after four months does not count.
    assert found["ledge"]["due_since"] == dt.date(2026, 6, 30)
    assert (found["ledge"]["state"], found["ledge"]["days"]) == ("due", 0)
    assert found["early"]["due_since"] == dt.date(2026, 1, 5)
    assert found["early"]["state"] == "due"
    assert found["early"]["last_seen_on"] == dt.date(2025, 5, 5)
    # 18 months after 5 January 2024 is 5 July 2025.
    assert (found["late"]["state"], found["late"]["due_since"]) == ("overdue", dt.date(2025, 1, 5))
    assert found["late"]["days"] == 541
    # Healing when last seen on 1 February 2025: due a year later, overdue six months after that.
    assert found["healing"]["reason"] == "healing when last seen"
    assert (found["healing"]["state"], found["healing"]["due_since"]) == ("due", dt.date(2026, 2, 1))


def test_who_is_not_listed(rows: list[dict[str, Any]]) -> None:
    """Not due before tomorrow; seen and healed; lost; treated again; followed for four years."""
    assert not {row["treatment_id"] for row in rows} & {"tomorrow", "seen", "lost", "again", "second", "old"}


def test_another_day_and_other_settings() -> None:
    tomorrow = on(dt.date(2026, 7, 1))
    assert "tomorrow" in {row["treatment_id"] for row in tomorrow}
    # On 2025-01-31 the follow-ups of February have not happened yet.
    before = {row["treatment_id"]: row["reason"] for row in on(dt.date(2025, 1, 31))}
    assert before == {"late": "first follow-up", "healing": "first follow-up", "again": "first follow-up"} | {
        "lost": "first follow-up"
    }
    sooner = {
        row["treatment_id"] for row in on(dt.date(2026, 6, 30), healed_after_months=6, recall_window_months=(5, 9))
    }
    assert "tomorrow" in sooner


@pytest.mark.parametrize(
    ("name", "day", "states"),
    # Completed on 30 June 2025: due after 12 calendar months. On 5 January 2024: the window's last day is 5 July 2025.
    # Healing when seen on 1 February 2025: due after a year, in time for six months more.
    [
        ("ledge", dt.date(2026, 6, 30), [None, "due", "due"]),
        ("late", dt.date(2025, 1, 5), [None, "due", "due"]),
        ("late", dt.date(2025, 7, 5), ["due", "due", "overdue"]),
        ("healing", dt.date(2026, 2, 1), [None, "due", "due"]),
        ("healing", dt.date(2026, 8, 1), ["due", "due", "overdue"]),
    ],
)
def test_the_day_before_the_day_and_the_day_after(name: str, day: dt.date, states: list[str | None]) -> None:
    found = []
    for days in (-1, 0, 1):
        of = {row["treatment_id"]: row for row in on(day + dt.timedelta(days=days))}
        found.append(of[name]["state"] if name in of else None)
    assert found == states


def test_uncertain_and_operated_teeth_are_looked_at_again_and_exfoliated_ones_are_not() -> None:
    treatments = """
        treatment_id | patient_id | tooth | dentist | kind    | preop_pai | started_on | completed_on | status
        uncertain    | A          | 16    | D1      | primary | 4         | 2024-01-05 | 2024-01-05   | completed
        operated     | B          | 16    | D1      | primary | 4         | 2024-01-05 | 2024-01-05   | completed
        milk         | C          | 75    | D1      | primary | 1         | 2024-01-05 | 2024-01-05   | completed
    """
    follow_ups = """
        follow_up_id | treatment_id | seen_on    | image      | pai | pain  | tooth_present | lost_reason | surgery_on
        F1           | uncertain    | 2025-02-01 | periapical | 4   | false | true          |             |
        F2           | operated     | 2025-02-01 | periapical | 1   | false | true          |             | 2024-09-05
        F3           | milk         | 2024-09-01 | none       |     |       | false         | exfoliated  |
    """
    rows = on(dt.date(2026, 6, 30), records={"treatments": treatments, "follow_ups": follow_ups})
    assert {row["treatment_id"]: row["reason"] for row in rows} == {
        "uncertain": "uncertain when last seen",
        "operated": "operated on after treatment",
    }


def test_one_sentence_for_people(rows: list[dict[str, Any]]) -> None:
    assert summary(rows, dt.date(2026, 6, 30)) == "On 2026-06-30 5 teeth are due for follow-up; overdue: 1."
    assert summary(rows[:1], dt.date(2026, 6, 30)) == "On 2026-06-30 1 tooth is due for follow-up; overdue: 0."
