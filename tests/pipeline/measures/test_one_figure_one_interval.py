"""One figure has one interval, whatever has a patient allows for patients, and equal values make no certainty."""

from __future__ import annotations

import datetime as dt

import pytest

from pipeline.measures.catalogue import catalogue
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory

WITH_PATIENTS = ("time", "share", "rate", "incidence", "funnel", "survival_compared", "competing", "factors")


def store(teeth: int, *, seen: bool, incident: bool) -> Workspace:
    """A store of teeth treated alike in everything, one a patient, each with the same visit, canal and use."""
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


@pytest.mark.parametrize("teeth", [5, 8, 60])
def test_one_figure_has_one_interval(teeth: int) -> None:
    """Separations as incidents and as a share of the same canals once read 0.62 to 1.06 and 0.63 to 1.06."""
    work = store(teeth, seen=False, incident=True)
    (share,) = work.compute("separations_per_100_canals").rows
    (incident,) = work.compute("incidents_per_100_canals", by=("incident",)).rows
    figures = ("n", "events", "estimate", "low", "high")
    assert [share[name] for name in figures] == [incident[name] for name in figures]
    (of_uses,) = work.compute("separations_per_1000_uses").rows
    assert [of_uses["low"], of_uses["high"]] == pytest.approx([10 * share["low"], 10 * share["high"]])


def test_a_dentist_has_one_interval_in_the_funnel_and_among_the_healed() -> None:
    work = store(8, seen=True, incident=False)
    (healed,), (funnel,) = (work.compute(name, by=("dentist",)).rows for name in ("healed_share", "peer_funnel"))
    assert (healed["low"], healed["high"]) == (funnel["low"], funnel["high"])
