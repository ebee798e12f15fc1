"""The list of incidents is the facts of incidents: every report once, and every separated use that none reports."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.measures.run import Workspace
from pipeline.settings import Settings, load_settings
from pipeline.store.database import in_memory


@pytest.fixture
def listed(filled: Path, small: Path) -> tuple[list[dict[str, Any]], Any]:
    """The lines of the small set's incidents, and the open store."""
    connection = duckdb.connect(str(filled))
    workspace = Workspace(connection, load_settings(small / "canalwise.toml"))
    return workspace.compute("incident_list").rows, connection


def test_every_report_is_listed_once_with_what_it_says(listed: Any) -> None:
    rows, connection = listed
    found = {row["incident_id"]: row for row in rows if row["incident_id"]}
    reports = connection.execute("select incident_id, kind, treatment_id, managed from incidents").fetchall()
    assert reports
    assert sorted(found) == sorted(report[0] for report in reports)
    for name, kind, treatment, managed in reports:
        row = found[name]
        assert (row["incident"], row["treatment_id"], row["managed"]) == (kind, treatment, managed)


def test_separations_are_listed_as_often_as_they_are_counted(listed: Any) -> None:
    rows, connection = listed
    (events,) = connection.execute("select count(*) from separation_events").fetchone()
    assert events > 0
    assert sum(row["incident"] == "separation" for row in rows) == events


def test_a_report_without_its_instrument_takes_it_from_the_use_and_no_sequence_is_guessed() -> None:
    connection = in_memory()
    here = "'here', 'f.csv', 2"
    connection.execute(
        f"""insert into treatments (treatment_id, patient_id, tooth, dentist, kind, started_on, status, practice,
            source_file, source_row, batch_id, record_no)
        values ('T1', 'A', 16, 'D1', 'primary', '2026-01-05', 'completed', {here}, 1, 1)"""
    )
    # The tooth's other canal was shaped with sequence A; that of MB is not recorded.
    connection.execute(
        f"""insert into canals (treatment_id, canal, sequence, practice, source_file, source_row, batch_id, record_no)
        values ('T1', 'MB', null, {here}, 2, 1), ('T1', 'P', 'A', {here}, 2, 2)"""
    )
    connection.execute(
        f"""insert into instrument_uses (use_id, treatment_id, canal, step, size, taper, motion, started_at, result,
            practice, source_file, source_row, batch_id, record_no)
        values ('U1', 'T1', 'MB', 1, 20, 0.04, 'rotation', '2026-01-05 09:00', 'separated', {here}, 3, 1)"""
    )
    connection.execute(
        f"""insert into incidents (incident_id, treatment_id, canal, kind, occurred_at, canal_third, practice,
            source_file, source_row, batch_id, record_no)
        values ('N1', 'T1', 'MB', 'separation', '2026-01-05 09:10', 'apical', {here}, 4, 1)"""
    )
    (row,) = Workspace(connection, Settings(), dt.date(2026, 6, 30)).compute("incident_list").rows
    assert (row["incident_id"], row["canal_third"]) == ("N1", "apical")
    assert (row["size"], row["motion"], row["sequence"]) == (20, "rotation", None)
