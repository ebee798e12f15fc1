"""One separation is one event, whether the uses, the incidents or both tell of it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.measures.catalogue import find

Facts = Callable[..., list[dict[str, Any]]]

REPORTED = "incident_id | treatment_id | canal | instrument_id | kind"
CASES = {
    "only the use": ("U1 | T1 | MB | I1", "", 1),
    "only the incident": ("", "X1 | T1 | MB | I1", 1),
    "both, and both name the instrument": ("U1 | T1 | MB | I1", "X1 | T1 | MB | I1", 1),
    "both, the use untracked": ("U1 | T1 | MB |", "X1 | T1 | MB | I1", 1),
    "both, the incident without its instrument": ("U1 | T1 | MB | I1", "X1 | T1 | MB |", 1),
    "both, neither names the instrument": ("U1 | T1 | MB |", "X1 | T1 | MB |", 1),
    "two instruments in one canal, one in each table": ("U1 | T1 | MB | I1", "X1 | T1 | MB | I2", 2),
    "one canal, two uses of different instruments": ("U1 | T1 | MB | I1\nU2 | T1 | MB | I2", "", 2),
    "two uses, both reported by instrument": (
        "U1 | T1 | MB | I1\nU2 | T1 | MB | I2",
        "X1 | T1 | MB | I2\nX2 | T1 | MB | I1",
        2,
    ),
    "two uses, one of them reported": ("U1 | T1 | MB | I1\nU2 | T1 | MB | I2", "X1 | T1 | MB | I2", 2),
    "two uses, one report without instrument": ("U1 | T1 | MB | I1\nU2 | T1 | MB | I2", "X1 | T1 | MB |", 2),
    "one use, reported twice without instrument": ("U1 | T1 | MB | I1", "X1 | T1 | MB |\nX2 | T1 | MB |", 2),
    "one use reported by instrument, another report open": (
        "U1 | T1 | MB | I1",
        "X1 | T1 | MB | I1\nX2 | T1 | MB |",
        2,
    ),
    "another canal of the tooth": ("U1 | T1 | MB | I1", "X1 | T1 | P | I1", 2),
    "another tooth": ("U1 | T1 | MB | I1", "X1 | T2 | MB | I1", 2),
    "the incident names no canal but the instrument": ("U1 | T1 | MB | I1", "X1 | T1 | | I1", 1),
    "the incident names neither": ("U1 | T1 | MB | I1", "X1 | T1 | |", 1),
    "the incident names no canal and another instrument": ("U1 | T1 | MB | I1", "X1 | T1 | | I2", 2),
    "the incident names no canal and an instrument, the use is untracked": ("U1 | T1 | MB |", "X1 | T1 | | I2", 1),
    "two canals, one open report for the tooth": ("U1 | T1 | MB | I1\nU2 | T1 | P | I2", "X1 | T1 | |", 2),
    "two canals, three open reports for the tooth": (
        "U1 | T1 | MB | I1\nU2 | T1 | P | I2",
        "X1 | T1 | |\nX2 | T1 | |\nX3 | T1 | |",
        3,
    ),
    "a report for the canal comes before one for the tooth": ("U1 | T1 | MB | I1", "X1 | T1 | |\nX2 | T1 | MB |", 2),
    "an instrument that separated in two canals, reported without canal": (
        "U1 | T1 | MB | I1\nU2 | T1 | P | I1",
        "X1 | T1 | | I1",
        2,
    ),
}


def uses(lines: str) -> str:
    made = [f"{line} | separated" for line in lines.splitlines()]
    return "\n".join(["use_id | treatment_id | canal | instrument_id | result", *made])


def incidents(lines: str) -> str:
    made = [f"{line} | separation" for line in lines.splitlines()]
    return "\n".join([REPORTED, *made])


@pytest.mark.parametrize(("used", "reported", "events"), CASES.values(), ids=CASES)
def test_events(facts: Facts, used: str, reported: str, events: int) -> None:
    found = facts("separation_events", instrument_uses=uses(used), incidents=incidents(reported))
    assert len(found) == events
    # Every separated use is an event; what is left of the incidents names no use.
    assert sorted(e["use_id"] for e in found if e["use_id"]) == [line[:2] for line in used.splitlines()]
    assert all((e["use_id"] is None) != (e["incident_id"] is None) for e in found)


def test_other_results_and_other_incidents_are_no_separations(facts: Facts) -> None:
    found = facts(
        "separation_events",
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | result
            U1     | T1           | MB    | I1            | intact
            U2     | T1           | MB    | I2            | deformed
            U3     | T1           | MB    | I3            | discarded
        """,
        incidents="""
            incident_id | treatment_id | canal | kind
            X1          | T1           | MB    | ledge
            X2          | T1           | MB    | perforation
        """,
    )
    assert found == []


def test_the_named_incident_is_the_one_left_over(facts: Facts) -> None:
    """One use, an open report and one of another instrument: the open one is the use, the named one an event."""
    found = facts(
        "separation_events",
        instrument_uses=uses("U1 | T1 | MB | I1"),
        incidents=incidents("X1 | T1 | MB | I2\nX2 | T1 | MB |"),
    )
    assert {(e["use_id"], e["incident_id"], e["instrument_id"]) for e in found} == {
        ("U1", None, "I1"),
        (None, "X1", "I2"),
    }


def one_event(use: tuple[str, str | None], report: tuple[str | None, str | None]) -> bool:
    """Whether a use and a report of one tooth can be the same separation."""
    (canal, instrument), (said_canal, said_instrument) = use, report
    same_canal = said_canal is None or said_canal == canal
    same_instrument = instrument is None or said_instrument is None or said_instrument == instrument
    return same_canal and same_instrument


def pairs(used: list[Any], reported: list[Any]) -> int:
    """Reports that are told to be a use of their own: those of the same instrument, then as many as can be."""
    certain = [(u, r) for u in used for r in reported if u[1] and u[1] == r[1] and one_event(u, r)]
    open_uses = [u for u in used if u not in [u for u, _ in certain]]
    open_reports = [r for r in reported if r not in [r for _, r in certain]]
    padded = [*open_uses, *[None] * max(0, len(open_reports) - len(open_uses))]
    most = max(
        sum(use is not None and one_event(use, report) for use, report in zip(order, open_reports, strict=False))
        for order in permutations(padded, len(open_reports))
    )
    return len(certain) + most


canals = st.sampled_from(["MB", "P"])
instruments = st.sampled_from(["I1", "I2", None])
# An instrument separates once: no two uses of a tooth name the same one, nor do two reports.
teeth = st.tuples(
    st.lists(st.tuples(canals, instruments), max_size=3, unique_by=lambda use: use[1] or object()),
    st.lists(st.tuples(st.one_of(st.none(), canals), instruments), max_size=4, unique_by=lambda r: r[1] or object()),
)


@settings(max_examples=20, deadline=None)
@given(practice=st.lists(teeth, min_size=1, max_size=40))
def test_no_more_events_than_there_must_be(facts: Facts, practice: list[tuple[list[Any], list[Any]]]) -> None:
    """Events of a tooth = uses + reports - pairs of them: nothing counts twice that may be the same."""
    uses_and_reports: dict[str, Any] = {
        "instrument_uses": [
            {"use_id": f"U{t}-{i}", "treatment_id": f"T{t}", "canal": c, "instrument_id": n, "result": "separated"}
            for t, (used, _) in enumerate(practice)
            for i, (c, n) in enumerate(used)
        ],
        "incidents": [
            {"incident_id": f"X{t}-{i}", "treatment_id": f"T{t}", "canal": c, "instrument_id": n, "kind": "separation"}
            for t, (_, reported) in enumerate(practice)
            for i, (c, n) in enumerate(reported)
        ],
    }
    found = facts("separation_events", **uses_and_reports)
    listed = facts(f"({find('incident_list').sql})", **uses_and_reports)
    for tooth, (used, reported) in enumerate(practice):
        expected = len(used) + len(reported) - pairs(used, reported)
        assert sum(event["treatment_id"] == f"T{tooth}" for event in found) == expected, (used, reported)
        # The list for the clinical lead has a line for each of them.
        assert sum(line["treatment_id"] == f"T{tooth}" for line in listed) == expected, (used, reported)
        assert {line["incident_id"] for line in listed} >= {f"X{tooth}-{i}" for i in range(len(reported))}


def test_a_separation_that_no_use_or_canal_can_count_says_so(facts: Facts) -> None:
    """X2 is in a canal without uses, X3 in one that was not treated, X4 in no known tooth; U2 has no serial number."""
    rows = facts(
        "separations_not_placed",
        treatments="""
            treatment_id | patient_id | tooth | dentist | started_on
            T1           | A          | 16    | D1      | 2026-01-05
        """,
        canals="""
            treatment_id | canal | sequence | not_treated
            T1           | MB    | A        |
            T1           | P     | A        |
            T1           | MB2   |          | calcified
        """,
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | motion   | result
            U1     | T1           | MB    | I1            | rotation | separated
            U2     | T1           | MB    |               | rotation | separated
            U3     | T1           | MB    |               | hand     | separated
        """,
        incidents="""
            incident_id | treatment_id | canal | kind       | occurred_at
            X1          | T1           |       | ledge      | 2026-01-05 09:30:00
            X2          | T1           | P     | separation | 2026-01-05 09:30:00
            X3          | T1           | MB2   | separation | 2026-01-05 09:30:00
            X4          | T9           |       | separation | 2026-01-06 09:30:00
        """,
    )
    reasons = ("without_use", "without_canal", "without_tooth", "without_serial")
    found = {
        (row["treatment_id"], row["canal"]): [(row[r] or "counted").split(",")[0] for r in reasons] for row in rows
    }
    serial = "separation of an instrument without a serial number"
    no_canal, tooth = "separation that names no canal", "separation in a tooth whose treatment is not in the store"
    assert found == {
        ("T1", "MB"): ["counted", "counted", "counted", serial],
        ("T1", "P"): ["separation in a canal without a recorded use", "counted", "counted", serial],
        ("T1", "MB2"): ["separation in a canal without a recorded use", no_canal, "counted", serial],
        ("T9", None): [no_canal, no_canal, tooth, serial],
    }
    assert {(row["treatment_id"], f"{row['happened_on']}") for row in rows} == {
        ("T1", "2026-01-05"),
        ("T9", "2026-01-06"),
    }
