"""A flag on a record reaches every unit that is built from it, and the unit is left out of what the flag affects."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pipeline.facts.prepare import make, prepare
from pipeline.measures.examples import _insert, table
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory

RECORDS = {
    "treatments": """
        treatment_id | patient_id | tooth | dentist | kind    | started_on | completed_on | status
        T1           | A          | 16    | D1      | primary | 2026-01-05 | 2026-01-05   | completed
        T2           | B          | 11    | D1      | primary | 2026-01-05 | 2026-01-05   | completed
    """,
    "visits": """
        visit_id | treatment_id | dentist | chair | seated_at           | left_at
        V1       | T1           | D1      | 1     | 2026-01-05 09:00:00 | 2026-01-05 10:00:00
        V2       | T2           | D1      | 2     | 2026-01-05 09:00:00 | 2026-01-05 10:00:00
    """,
    "canals": """
        treatment_id | canal | sequence
        T1           | MB    | A
        T1           | P     | A
        T2           | S     | A
    """,
    "instrument_uses": """
        use_id | treatment_id | canal | step | instrument_id | size | taper | motion   | result
        U1     | T1           | MB    | 1    | I1            | 25   | 0.06  | rotation | intact
        U2     | T1           | P     | 1    | I1            | 25   | 0.06  | rotation | separated
        U3     | T2           | S     | 1    | I2            | 25   | 0.06  | rotation | intact
    """,
    "incidents": """
        incident_id | treatment_id | canal | kind       | occurred_at
        X1          | T1           | MB    | separation | 2026-01-05 09:30:00
        X2          | T1           | P     | separation | 2026-01-05 09:40:00
    """,
    "follow_ups": """
        follow_up_id | treatment_id | seen_on    | tooth_present
        F1           | T1           | 2026-02-05 | true
    """,
}
TABLES = ("tooth_facts", "canal_facts", "use_facts", "incident_facts", "visit_facts")
# Flagged record -> the units whose flags hold the rule.
REACHED: dict[tuple[str, str], dict[str, set[str]]] = {
    ("treatments", "T1"): {
        "tooth_facts": {"T1"},
        "canal_facts": {"T1 MB", "T1 P"},
        "use_facts": {"U1", "U2"},
        "incident_facts": {"X1", "X2"},
    },
    ("incidents", "X1"): {
        "tooth_facts": {"T1"},
        "canal_facts": {"T1 MB"},
        "use_facts": {"U1"},
        "incident_facts": {"X1"},
    },
    ("incidents", "X2"): {
        "tooth_facts": {"T1"},
        "canal_facts": {"T1 P"},
        "use_facts": {"U2"},
        "incident_facts": {"X2"},
    },
    ("canals", "T1 P"): {"tooth_facts": {"T1"}, "canal_facts": {"T1 P"}},
    ("instrument_uses", "U1"): {"use_facts": {"U1"}},
    ("visits", "V1"): {"tooth_facts": {"T1"}, "visit_facts": {"V1"}},
    ("follow_ups", "F1"): {"tooth_facts": {"T1"}},
}
NAMES = {
    "tooth_facts": "treatment_id",
    "canal_facts": "treatment_id || ' ' || canal",
    "use_facts": "use_id",
    "incident_facts": "incident_id",
    "visit_facts": "visit_id",
    "treatments": "treatment_id",
    "canals": "treatment_id || ' ' || canal",
    "instrument_uses": "use_id",
    "incidents": "incident_id",
    "visits": "visit_id",
    "follow_ups": "follow_up_id",
}


def flagged(kind: str, name: str, rule: str, spoils: str) -> Any:
    connection = in_memory()
    for of, text in RECORDS.items():
        for number, row in enumerate(table(text), start=2):
            _insert(connection, of, row, number)
    connection.execute(
        f"insert into flags (kind, batch_id, record_no, rule, action, reason, spoils) select '{kind}', batch_id, "
        f"record_no, ?, 'flag', '', [?] from {kind} where {NAMES[kind]} = ?",
        [rule, spoils, name],
    )
    return connection


@pytest.mark.parametrize(("kind", "name"), REACHED)
def test_a_flag_reaches_every_unit_built_from_its_record(kind: str, name: str) -> None:
    connection = flagged(kind, name, "any_rule", "anything")
    prepare(connection, Settings(), dt.date(2026, 6, 30))
    make(connection, TABLES)
    for facts in TABLES:
        found = connection.execute(f"select {NAMES[facts]} from {facts} where flags like '% any_rule %'").fetchall()
        assert {unit for (unit,) in found} == REACHED[kind, name].get(facts, set()), facts


@pytest.mark.parametrize("kind", ["treatments", "incidents"])
def test_a_flagged_tooth_does_not_count(kind: str) -> None:
    """treatment_near_duplicate affects tooth_facts: whichever record of a tooth it stands on, the tooth is out."""
    connection = flagged(kind, "T1" if kind == "treatments" else "X1", "treatment_near_duplicate", "tooth_facts")
    workspace = Workspace(
        connection, Settings.model_validate({"reporting": {"smallest_group": 1}}), dt.date(2026, 6, 30)
    )
    result = workspace.compute("separations_per_100_teeth")
    assert (result.rows[0]["n"], result.rows[0]["events"]) == (1, 0)
    assert [row["n"] for row in result.left_out] == [1] and result.left_out[0]["reason"].startswith("doubtful")


@pytest.mark.parametrize("kind", ["treatments", "incidents"])
def test_a_flagged_canal_does_not_count(kind: str) -> None:
    connection = flagged(kind, "T1" if kind == "treatments" else "X1", "canal_without_treatment", "canal_facts")
    workspace = Workspace(
        connection, Settings.model_validate({"reporting": {"smallest_group": 1}}), dt.date(2026, 6, 30)
    )
    result = workspace.compute("separations_per_100_canals")
    assert result.left_out[0]["n"] == (2 if kind == "treatments" else 1)
    assert result.rows[0]["n"] == 3 - result.left_out[0]["n"]
