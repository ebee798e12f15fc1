"""`trace`: every canal that an instrument or a lot touched, whichever record says so, and what cannot be seen."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import UserError
from pipeline.measures.examples import table
from pipeline.measures.run import Workspace
from pipeline.questions.trace import trace
from pipeline.settings import Settings
from pipeline.store.database import in_memory, open_store

TREATMENTS = """
    treatment_id | patient_id | tooth | dentist | kind    | preop_pai | started_on | completed_on | status
    T1           | A          | 16    | D1      | primary | 1         | 2024-01-05 | 2024-01-05   | completed
    T2           | B          | 11    | D2      | primary | 4         | 2024-02-05 | 2024-02-05   | completed
    T3           | C          | 12    | D1      | primary | 1         | 2024-03-05 | 2024-03-05   | completed
"""
INSTRUMENTS = """
    instrument_id | lot | size | taper | motion   | received_on
    I1            | L1  | 25   | 0.06  | rotation | 2024-01-05
    I2            | L1  | 30   | 0.04  | rotation | 2024-01-05
    I3            | L2  | 25   | 0.06  | rotation | 2024-01-05
    I4            | L1  | 35   | 0.04  | rotation | 2024-01-05
"""
USES = """
    use_id | treatment_id | canal | step | instrument_id | lot | size | motion   | started_at          | result
    U1     | T1           | MB    | 1    | I1            |     | 25   | rotation | 2024-01-05 09:00:00 | intact
    U2     | T1           | MB    | 2    | I1            |     | 25   | rotation | 2024-01-05 09:05:00 | intact
    U3     | T2           | S     | 1    | I1            |     | 25   | rotation | 2024-02-05 09:00:00 | separated
    U4     | T2           | S     | 2    | I2            |     | 30   | rotation | 2024-02-05 09:10:00 | intact
    U5     | T3           | S     | 1    | I3            |     | 25   | rotation | 2024-03-05 09:00:00 | intact
    U6     | T3           | S     | 2    |               | L1  | 40   | rotation | 2024-03-05 09:10:00 | intact
    U7     | T3           | S     | 3    |               |     | 45   | rotation | 2024-03-05 09:20:00 | intact
"""
INCIDENTS = """
    incident_id | treatment_id | canal | instrument_id | kind       | managed  | occurred_at
    X1          | T2           | S     |               | separation | bypassed | 2024-02-05 09:02:00
    X2          | T1           | P     | I1            | ledge      |          | 2024-01-05 10:00:00
"""
FOLLOW_UPS = """
    follow_up_id | treatment_id | seen_on    | image      | pai | pain  | tooth_present
    F1           | T2           | 2025-03-01 | periapical | 2   | false | true
"""


@pytest.fixture
def connection() -> Any:
    made = in_memory()
    records = {
        "treatments": TREATMENTS,
        "instruments": INSTRUMENTS,
        "instrument_uses": USES,
        "incidents": INCIDENTS,
        "follow_ups": FOLLOW_UPS,
    }
    for kind, text in records.items():
        for number, row in enumerate(table(text)):
            made.execute(
                f"insert into {kind} ({', '.join(row)}, practice, source_row, batch_id, record_no) "
                f"values ({', '.join('?' * len(row))}, 'here', 1, 1, {number})",
                list(row.values()),
            )
    Workspace(made, Settings(), dt.date(2026, 6, 30))
    return made


def test_an_instrument_is_followed_through_uses_and_incidents(connection: Any) -> None:
    found = trace(connection, instrument="I1")
    shown = ["used_on", "patient", "treatment_id", "canal", "use_number", "result", "incidents", "managed", "outcome"]
    rows = sorted(tuple(str(row[name]) for name in shown) for row in found.canals)
    assert rows == [
        ("2024-01-05", "A", "T1", "MB", "1", "intact", "None", "None", "not seen"),
        # Only the incident says that it was in this canal.
        ("2024-01-05", "A", "T1", "P", "None", "None", "ledge", "None", "not seen"),
        # The report names no instrument: it is the separated use that it is matched with.
        ("2024-02-05", "B", "T2", "S", "2", "separated", "separation", "bypassed", "healed"),
    ]
    assert [row["lot"] for row in found.instruments] == ["L1"]
    assert found.patients == 2
    assert found.untracked_uses == 2


def test_a_lot_is_all_its_instruments_and_uses_that_name_the_lot_alone(connection: Any) -> None:
    found = trace(connection, lot="L1")
    assert [row["instrument_id"] for row in found.instruments] == ["I1", "I2", "I4"]
    touched = {(row["treatment_id"], row["canal"], row["instrument_id"], row["size"]) for row in found.canals}
    assert touched == {
        ("T1", "MB", "I1", 25),
        ("T1", "P", "I1", 25),
        ("T2", "S", "I1", 25),
        ("T2", "S", "I2", 30),
        ("T3", "S", None, 40),
    }
    assert found.patients == 3
    assert found.untracked_uses == 1  # neither instrument nor lot: it may have been of this lot


def test_an_instrument_that_was_in_no_canal_is_known_all_the_same(connection: Any) -> None:
    found = trace(connection, instrument=" I4 ")
    assert [row["instrument_id"] for row in found.instruments] == ["I4"]
    assert (found.canals, found.patients) == ([], 0)


@pytest.mark.parametrize("wanted", [{"instrument": "I9"}, {"lot": "L9"}, {"lot": "' or true --"}])
def test_what_the_store_does_not_know_is_said(connection: Any, wanted: dict[str, str]) -> None:
    with pytest.raises(UserError, match="the store knows of no"):
        trace(connection, **wanted)


@pytest.mark.parametrize("wanted", [{}, {"instrument": "I1", "lot": "L1"}])
def test_one_of_both_is_asked_for(connection: Any, wanted: dict[str, str]) -> None:
    with pytest.raises(UserError, match="give either --instrument ID or --lot LOT"):
        trace(connection, **wanted)


def test_the_command_prints_what_the_store_holds(canalwise: Callable[..., Any], filled: Path) -> None:
    with open_store(filled) as store:
        uses = store.execute(
            "select instrument_id, count(distinct (treatment_id, canal)), count(distinct treatment_id) "
            "from instrument_uses where instrument_id is not null group by 1 order by 2 desc, 1 limit 1"
        ).fetchall()
    ((instrument, canals, treatments),) = uses
    ran = canalwise("trace", "--instrument", instrument, "--store", filled, "--json")
    assert ran.code == 0
    told = json.loads(ran.out)
    assert len(told["canals"]) == canals
    assert len({row["treatment_id"] for row in told["canals"]}) == treatments
    assert all(row["patient"].startswith("pt-") for row in told["canals"])
    table_ = canalwise("trace", "--instrument", instrument, "--store", filled)
    assert table_.code == 0
    assert f"{canals} canal" in table_.out


def test_an_unknown_lot_is_one_line_and_exit_2(canalwise: Callable[..., Any], filled: Path) -> None:
    ran = canalwise("trace", "--lot", "nonsense", "--store", filled)
    assert (ran.code, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert ran.err.startswith("canalwise: the store knows of no lot nonsense")


def test_a_use_that_nobody_inspected_is_not_said_to_be_intact(connection: Any) -> None:
    connection.execute("update instrument_uses set result = 'not inspected' where result = 'intact'")
    results = {row["result"] for row in trace(connection, lot="L1").canals} | {
        row["result"] for row in trace(connection, instrument="I1").canals
    }
    assert "intact" not in results and None in results
