"""Minutes in the chair: overlaps count once, estimates add up to the visit, measured and estimated never mix."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

Facts = Callable[..., list[dict[str, Any]]]
DAY = dt.datetime(2026, 3, 2)


def minutes(rows: list[dict[str, Any]], key: str = "visit_id") -> dict[str, float]:
    return {row[key]: row["minutes"] for row in rows}


def test_two_patients_in_one_chair_share_its_minutes(facts: Facts) -> None:
    """B sits down at 9:50, when A has ten minutes left: an hour and 50 minutes of bookings, 100 minutes of chair."""
    rows = facts(
        "visit_facts",
        treatments="""
            treatment_id | patient_id | tooth
            T1           | A          | 16
            T2           | B          | 11
        """,
        visits="""
            visit_id | treatment_id | chair | seated_at           | left_at
            V1       | T1           | 1     | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
            V2       | T2           | 1     | 2026-03-02 09:50:00 | 2026-03-02 10:40:00
        """,
    )
    assert minutes(rows) == {"V1": 60, "V2": 40}
    assert {row["visit_id"]: row["recorded_minutes"] for row in rows} == {"V1": 60, "V2": 50}


def test_another_chair_at_the_same_time_counts_in_full(facts: Facts) -> None:
    rows = facts(
        "visit_facts",
        visits="""
            visit_id | treatment_id | chair | seated_at           | left_at
            V1       | T1           | 1     | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
            V2       | T2           | 2     | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
        """,
    )
    assert minutes(rows) == {"V1": 60, "V2": 60}


def test_a_visit_inside_another_has_no_minutes_of_its_own(facts: Facts) -> None:
    rows = facts(
        "visit_facts",
        visits="""
            visit_id | treatment_id | chair | seated_at           | left_at
            V1       | T1           | 1     | 2026-03-02 09:00:00 | 2026-03-02 11:00:00
            V2       | T2           | 1     | 2026-03-02 09:30:00 | 2026-03-02 10:00:00
            V3       | T3           | 1     | 2026-03-02 10:30:00 | 2026-03-02 11:30:00
        """,
    )
    assert minutes(rows) == {"V1": 120, "V2": 0, "V3": 30}


def test_one_patient_with_two_teeth_is_one_sitting(facts: Facts) -> None:
    """Two treatments in one visit, and a visit entered twice with overlapping times, are one sitting of 80 minutes."""
    rows = facts(
        "visit_facts",
        treatments="""
            treatment_id | patient_id | tooth
            T1           | A          | 16
            T2           | A          | 11
        """,
        visits="""
            visit_id | treatment_id | dentist | chair | seated_at           | left_at
            V1       | T1           | D1      | 1     | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
            V1       | T2           | D1      | 1     | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
            V2       | T2           | D2      | 1     | 2026-03-02 09:40:00 | 2026-03-02 10:20:00
        """,
    )
    (row,) = rows
    assert (row["minutes"], row["recorded_minutes"]) == (80, 100)
    assert (row["dentist"], row["tooth_type"], row["arch"]) == ("mixed", "mixed", "upper")


def test_the_next_patient_may_be_seated_as_the_last_one_leaves(facts: Facts) -> None:
    rows = facts(
        "visit_facts",
        visits="""
            visit_id | treatment_id | chair | seated_at           | left_at
            V1       | T1           | 1     | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
            V2       | T2           | 1     | 2026-03-02 10:00:00 | 2026-03-02 10:30:00
        """,
    )
    assert minutes(rows) == {"V1": 60, "V2": 30}


def test_without_chairs_each_patient_has_one_of_their_own(facts: Facts) -> None:
    rows = facts(
        "visit_facts",
        treatments="""
            treatment_id | patient_id | tooth
            T1           | A          | 16
            T2           | B          | 11
        """,
        visits="""
            visit_id | treatment_id | seated_at           | left_at
            V1       | T1           | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
            V2       | T2           | 2026-03-02 09:30:00 | 2026-03-02 10:30:00
        """,
    )
    assert minutes(rows) == {"V1": 60, "V2": 60}


def swept(intervals: list[tuple[int, int]]) -> int:
    """Minutes covered by at least one of these intervals, by a plain sweep."""
    covered, until = 0, -1
    for start, end in sorted(intervals):
        covered += max(0, end - max(start, until))
        until = max(until, end)
    return covered


one_visit = st.tuples(
    st.sampled_from(["1", "2", "3"]),  # chair
    st.integers(0, 5),  # patient
    st.integers(0, 180),  # minutes after eight
    st.integers(1, 90),  # minutes in the chair
)


@settings(max_examples=40, deadline=None)
@given(visits=st.lists(one_visit, min_size=1, max_size=25))
def test_a_chairs_minutes_are_the_union_of_its_visits(facts: Facts, visits: list[tuple[str, int, int, int]]) -> None:
    chair_of = {f"V{i:02}": chair for i, (chair, *_) in enumerate(visits)}
    rows = facts(
        "visit_facts",
        treatments=[{"treatment_id": f"T{p}", "patient_id": f"P{p}", "tooth": 16} for p in range(6)],
        visits=[
            {
                "visit_id": f"V{i:02}",
                "treatment_id": f"T{patient}",
                "chair": chair,
                "seated_at": DAY + dt.timedelta(minutes=start),
                "left_at": DAY + dt.timedelta(minutes=start + length),
            }
            for i, (chair, patient, start, length) in enumerate(visits)
        ],
    )
    for chair in {c for c, *_ in visits}:
        found = sum(row["minutes"] for row in rows if chair_of[row["visit_id"]] == chair)
        assert found == pytest.approx(swept([(s, s + n) for c, _, s, n in visits if c == chair]))
    assert sum(row["recorded_minutes"] for row in rows) == pytest.approx(sum(n for *_, n in visits))
    assert all(0 <= row["minutes"] <= row["recorded_minutes"] + 1e-9 for row in rows)


THREE_CANALS = """
    treatment_id | canal
    T1           | MB
    T1           | DB
    T1           | P
"""


def test_an_hour_is_divided_by_the_seconds_that_instruments_turned(facts: Facts) -> None:
    """60 minutes at 100, 200 and 300 seconds are 10, 20 and 30 minutes (common practice, no source)."""
    rows = facts(
        "canal_facts",
        visits="""
            visit_id | treatment_id | seated_at           | left_at
            V1       | T1           | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
        """,
        canals=THREE_CANALS,
        instrument_uses="""
            use_id | treatment_id | canal | seconds | result
            U1     | T1           | MB    | 60      | intact
            U2     | T1           | MB    | 40      | intact
            U3     | T1           | DB    | 200     | intact
            U4     | T1           | P     | 300     | intact
        """,
    )
    assert minutes(rows, "canal") == pytest.approx({"MB": 10, "DB": 20, "P": 30})
    assert {row["basis"] for row in rows} == {"estimated"}


def test_without_seconds_for_every_canal_the_visit_is_divided_equally(facts: Facts) -> None:
    """62 minutes over 3 canals are 20.67 each, also when the seconds of one canal are known."""
    rows = facts(
        "canal_facts",
        visits="""
            visit_id | treatment_id | seated_at           | left_at
            V1       | T1           | 2026-03-02 09:00:00 | 2026-03-02 10:02:00
        """,
        canals=THREE_CANALS,
        instrument_uses="""
            use_id | treatment_id | canal | seconds | result
            U1     | T1           | MB    | 60      | intact
            U2     | T1           | DB    |         | intact
        """,
    )
    assert {round(row["minutes"], 2) for row in rows} == {20.67}
    assert sum(row["minutes"] for row in rows) == pytest.approx(62)


def test_measured_canals_keep_their_minutes_and_nothing_is_estimated_beside_them(facts: Facts) -> None:
    rows = facts(
        "canal_facts",
        visits="""
            visit_id | treatment_id | seated_at           | left_at
            V1       | T1           | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
        """,
        canals="""
            treatment_id | canal | started_at          | finished_at         | not_treated
            T1           | MB    | 2026-03-02 09:10:00 | 2026-03-02 09:31:30 |
            T1           | DB    |                     |                     |
            T1           | P     | 2026-03-02 09:32:00 |                     |
            T1           | MB2   |                     |                     | calcified
        """,
    )
    assert minutes(rows, "canal") == {"MB": 21.5, "DB": None, "P": None}
    assert {row["canal"]: row["basis"] for row in rows} == {"MB": "measured", "DB": None, "P": None}


def test_two_teeth_in_one_visit_share_it(facts: Facts) -> None:
    """Tooth 16 with two canals and tooth 11 with one share 60 minutes: 20 each."""
    rows = facts(
        "canal_facts",
        visits="""
            visit_id | treatment_id | seated_at           | left_at
            V1       | T1           | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
            V1       | T2           | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
        """,
        canals="""
            treatment_id | canal
            T1           | B
            T1           | P
            T2           | S
        """,
    )
    assert [row["minutes"] for row in rows] == pytest.approx([20, 20, 20])


one_tooth = st.tuples(
    st.lists(st.integers(5, 120), min_size=1, max_size=3),  # minutes of its visits
    st.lists(st.one_of(st.none(), st.integers(0, 900)), min_size=1, max_size=4),  # seconds turned in its canals
)


@settings(max_examples=30, deadline=None)
@given(teeth=st.lists(one_tooth, min_size=1, max_size=12))
def test_estimates_add_up_to_the_visits(facts: Facts, teeth: list[tuple[list[int], list[int | None]]]) -> None:
    rows = facts(
        "canal_facts",
        visits=[
            {
                "visit_id": f"V{t}-{v}",
                "treatment_id": f"T{t}",
                "seated_at": DAY + dt.timedelta(days=v),
                "left_at": DAY + dt.timedelta(days=v, minutes=length),
            }
            for t, (lengths, _) in enumerate(teeth)
            for v, length in enumerate(lengths)
        ],
        canals=[
            {"treatment_id": f"T{t}", "canal": f"C{c}"}
            for t, (_, canals) in enumerate(teeth)
            for c in range(len(canals))
        ],
        instrument_uses=[
            {"use_id": f"U{t}-{c}", "treatment_id": f"T{t}", "canal": f"C{c}", "seconds": seconds}
            for t, (_, canals) in enumerate(teeth)
            for c, seconds in enumerate(canals)
        ],
    )
    for t, (lengths, canals) in enumerate(teeth):
        of_tooth = {row["canal"]: row["minutes"] for row in rows if row["treatment_id"] == f"T{t}"}
        assert sum(of_tooth.values()) == pytest.approx(sum(lengths))
        turned = sum(s or 0 for s in canals)
        known = None not in canals and turned > 0
        for c, seconds in enumerate(canals):
            share = (seconds or 0) / turned if known else 1 / len(canals)
            assert of_tooth[f"C{c}"] == pytest.approx(share * sum(lengths))
