"""Stores in which nothing varies: no figure claims certainty, and whatever has a patient allows for patients."""

from __future__ import annotations

import datetime as dt

import pytest

from pipeline.measures.catalogue import catalogue
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory

# A median between equal values is right to the value: half of all values and more are it, with this confidence.
OF_VALUES = {"time"}
WITH_PATIENTS = (
    "time",
    "share",
    "rate",
    "incidence",
    "funnel",
    "survival_compared",
    "competing",
    "factors",
    "learning",
)


def store(teeth: int, *, seen: bool, incident: bool) -> Workspace:
    """A store of teeth treated alike in everything, one a patient; each with the same visit, canal, use and follow-up."""
    connection = in_memory()
    records: dict[str, list[dict[str, object]]] = {}
    for i in range(teeth):
        t = f"T{i}"
        day = dt.date(2023, 1, 2 + i % 20)
        at = dt.datetime.combine(day, dt.time(9))
        records.setdefault("treatments", []).append(
            {"treatment_id": t, "patient_id": f"P{i}", "tooth": 16, "dentist": "D1", "kind": "primary", "preop_pai": 4}
            | {"started_on": day, "completed_on": day, "status": "completed", "restoration": "crown"}
            | {"restored_on": day + dt.timedelta(days=10)}
        )
        records.setdefault("visits", []).append(
            {"visit_id": f"V{i}", "treatment_id": t, "dentist": "D1", "seated_at": at, "booked_minutes": 60}
            | {"left_at": at + dt.timedelta(minutes=60), "rubber_dam": True, "reason": "planned"}
        )
        records.setdefault("canals", []).append(
            {"treatment_id": t, "canal": "P", "sequence": "A", "working_length_mm": 20.0, "curvature_deg": 10.0}
            | {"started_at": at, "finished_at": at + dt.timedelta(minutes=12), "filling_extent_mm": -1.0}
        )
        records.setdefault("instruments", []).append(
            {"instrument_id": f"I{i}", "size": 25, "taper": 0.06, "motion": "rotation", "price": 9.0, "use_limit": 1}
            | {"lot": "L1", "retired_on": day, "sterilisations": 1}
        )
        records.setdefault("instrument_uses", []).append(
            {"use_id": f"U{i}", "treatment_id": t, "canal": "P", "step": 1, "instrument_id": f"I{i}", "size": 25}
            | {"taper": 0.06, "motion": "rotation", "started_at": at, "seconds": 30, "speed_rpm": 300.0}
            | {"result": "separated" if incident else "intact"}
        )
        if seen:
            records.setdefault("follow_ups", []).append(
                {"follow_up_id": f"F{i}", "treatment_id": t, "seen_on": day + dt.timedelta(days=400), "pai": 1}
                | {"image": "periapical", "pain": False, "tooth_present": True}
            )
        records.setdefault("contacts", []).append(
            {"contact_id": f"C{i}", "treatment_id": t, "contacted_at": at + dt.timedelta(days=1), "pain_score": 2}
        )
    for kind, rows in records.items():
        for number, row in enumerate(rows):
            connection.execute(
                f"insert into {kind} ({', '.join(row)}, practice, source_row, batch_id, record_no) "
                f"values ({', '.join('?' * len(row))}, 'here', 1, 1, {number})",
                list(row.values()),
            )
    settings = Settings.model_validate({"reporting": {"smallest_group": 1}})
    return Workspace(connection, settings, dt.date(2024, 12, 31))


@pytest.mark.parametrize("teeth", [1, 2, 5, 8])
@pytest.mark.parametrize(("seen", "incident"), [(True, False), (False, True)])
def test_no_interval_is_without_width(teeth: int, seen: bool, incident: bool) -> None:
    """A mean of five equal values once read "2.00 (2.00 to 2.00; n 5)"."""
    work = store(teeth, seen=seen, incident=incident)
    certain = []
    computed = 0
    for name, measure in catalogue().items():
        if measure.kind in ("list", "standards") or work.missing(name):
            continue
        computed += 1
        for row in work.compute(name).rows:
            for low, high in (("low", "high"), ("crude_low", "crude_high"), ("severe_low", "severe_high")):
                told = row.get(low) is not None and row.get(low) == row.get(high)
                if told and not (measure.kind in OF_VALUES and (low, high) == ("low", "high")):
                    certain.append((name, row))
            if row.get("estimate") is not None and row.get("low") is not None and row.get("high") is not None:
                assert row["low"] <= row["estimate"] <= row["high"], (name, row)
    assert certain == []
    assert computed > 30


def test_a_mean_of_equal_values_has_no_interval() -> None:
    (row,) = store(5, seen=True, incident=False).compute("instruments_per_canal").rows
    assert (row["n"], row["estimate"], row["low"], row["high"]) == (5, 1, None, None)


@pytest.mark.parametrize("name", [n for n, m in catalogue().items() if m.kind in WITH_PATIENTS])
def test_what_has_a_patient_allows_for_patients(name: str) -> None:
    columns = catalogue()[name].columns
    assert "cluster" in columns or "patient_id" not in columns


@pytest.mark.parametrize("name", ["tooth_survival", "event_free_survival", "instrument_life"])
def test_survival_allows_for_patients_where_there_are_any(name: str) -> None:
    assert ("cluster" in catalogue()[name].columns) == (name != "instrument_life")
