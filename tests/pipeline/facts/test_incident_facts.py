"""One row an incident, with what the use and the report of one separation each know."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

Facts = Callable[..., list[dict[str, Any]]]


def test_a_separation_in_both_tables_is_one_row_that_knows_what_either_knows(facts: Facts) -> None:
    found = facts(
        "incident_facts",
        treatments="""
            treatment_id | patient_id | tooth | dentist | kind    | started_on | status
            T1           | A          | 16    | D1      | primary | 2026-01-05 | completed
        """,
        canals="""
            treatment_id | canal | sequence | curvature_deg
            T1           | MB    | A        | 30
        """,
        instruments="""
            instrument_id | lot | size | taper | motion   | received_on
            I1            | L7  | 25   | 0.06  | rotation | 2026-01-04
        """,
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | size | motion   | started_at          | result
            U1     | T0           | S     | I1            | 25   | rotation | 2026-01-04 09:00:00 | intact
            U2     | T1           | MB    | I1            | 25   | rotation | 2026-01-05 09:00:00 | separated
        """,
        incidents="""
            incident_id | treatment_id | kind       | canal_third | managed  | patient_informed | occurred_at
            X1          | T1           | separation | apical      | bypassed | true             | 2026-01-05 09:30:00
            X2          | T1           | ledge      |             |          |                  | 2026-01-05 09:40:00
        """,
    )
    separation, ledge = sorted(found, key=lambda row: row["incident_id"])
    wanted = {
        "recorded_in": "both",
        "use_id": "U2",
        "canal": "MB",
        "instrument_id": "I1",
        "use_number": 2,
        "size": 25,
        "lot": "L7",
        "canal_third": "apical",
        "curvature_class": "severe",
        "sequence": "A",
        "dentist": "D1",
        "tooth_type": "molar",
        "managed": "bypassed",
        "patient_informed": True,
    }
    assert {name: separation[name] for name in wanted} == wanted
    assert (ledge["incident"], ledge["recorded_in"], ledge["canal"], ledge["use_number"]) == (
        "ledge",
        "incident",
        None,
        None,
    )
    assert ledge["sequence"] == "A"  # that of the tooth, as no canal is named


def test_a_separation_that_only_the_use_tells_of_has_nothing_of_a_report(facts: Facts) -> None:
    (row,) = facts(
        "incident_facts",
        instruments="""
            instrument_id | received_on
            I1            | 2026-01-05
        """,
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | lot | size | motion   | started_at          | result
            U1     | T1           | MB    | I1            | L1  | 20   | rotation | 2026-01-05 09:00:00 | separated
        """,
    )
    assert (row["recorded_in"], row["incident"], row["lot"], row["use_number"]) == ("use", "separation", "L1", 1)
    assert row["incident_id"] is row["managed"] is row["patient_informed"] is None
    assert str(row["happened_on"]) == "2026-01-05"


canals = st.sampled_from(["MB", "P"])
instruments = st.sampled_from(["I1", "I2", None])
# An instrument separates once: no two uses of a tooth name the same one, nor do two reports.
teeth = st.tuples(
    st.lists(st.tuples(canals, instruments), max_size=3, unique_by=lambda use: use[1] or object()),
    st.lists(st.tuples(st.one_of(st.none(), canals), instruments), max_size=4, unique_by=lambda r: r[1] or object()),
)


@settings(max_examples=20, deadline=None)
@given(practice=st.lists(teeth, min_size=1, max_size=40))
def test_uses_and_reports_are_paired_once_each_and_only_where_they_can_be_one(
    facts: Facts, practice: list[tuple[list[Any], list[Any]]]
) -> None:
    used = {f"U{t}-{i}": (f"T{t}", *use) for t, (uses, _) in enumerate(practice) for i, use in enumerate(uses)}
    told = {f"X{t}-{i}": (f"T{t}", *report) for t, (_, said) in enumerate(practice) for i, report in enumerate(said)}
    records: dict[str, Any] = {
        "instrument_uses": [
            {"use_id": key, "treatment_id": t, "canal": c, "instrument_id": n, "result": "separated"}
            for key, (t, c, n) in used.items()
        ],
        "incidents": [
            {"incident_id": key, "treatment_id": t, "canal": c, "instrument_id": n, "kind": "separation"}
            for key, (t, c, n) in told.items()
        ],
    }
    found = facts("incident_facts", **records)
    assert sorted(row["use_id"] for row in found if row["use_id"]) == sorted(used)
    assert sorted(row["incident_id"] for row in found if row["incident_id"]) == sorted(told)
    # As many as all counts of separations have.
    assert len(found) == len(facts("separation_events", **records))
    for row in found:
        if row["recorded_in"] == "both":
            (tooth, canal, instrument), (said_tooth, said_canal, said) = used[row["use_id"]], told[row["incident_id"]]
            assert tooth == said_tooth
            assert said_canal in (None, canal)
            assert instrument is None or said in (None, instrument)


def test_how_wide_an_instrument_was_where_it_broke(facts: Facts) -> None:
    """ISO 3630-1: D(L) = D0 + taper x L, by hand; 0.57 mm is printed for 25/.02 at 16 mm (a Korean survey).

    Beyond the working part of 16 mm, without a length or a size, or of something else than a separation: not told.
    """
    cases = [
        (25, 0.02, 16, 0.57),
        (25, 0.06, 3, 0.43),
        (25, 0.08, 16, 1.53),
        (10, 0.02, 16, 0.42),
        (30, 0.04, 5, 0.50),
        (25, 0.06, 16.5, None),
        (25, 0.06, 0, None),
        (25, 0.06, None, None),
    ]
    treatment = {"treatment_id": "T1", "patient_id": "A", "tooth": 16, "dentist": "D1", "kind": "primary"}
    separated = {"treatment_id": "T1", "kind": "separation", "occurred_at": "2026-01-05 09:30:00"}
    rows = facts(
        "incident_facts",
        treatments=[treatment | {"started_on": "2026-01-05", "status": "completed"}],
        instruments=[
            {"instrument_id": f"I{k}", "size": size, "taper": taper, "motion": "rotation"}
            for k, (size, taper, *_) in enumerate(cases)
        ],
        incidents=[
            *(
                separated | {"incident_id": f"X{k}", "instrument_id": f"I{k}", "fragment_mm": length}
                for k, (_, _, length, _) in enumerate(cases)
            ),
            separated | {"incident_id": "unknown instrument", "instrument_id": None, "fragment_mm": 3},
            separated | {"incident_id": "no separation", "instrument_id": "I1", "fragment_mm": 3, "kind": "other"},
        ],
    )
    found = {row["incident_id"]: row["width_at_break_mm"] for row in rows}
    assert found == {f"X{k}": pytest.approx(width) for k, (*_, width) in enumerate(cases)} | {
        "unknown instrument": None,
        "no separation": None,
    }
