"""Instruments: which use is which, what each cost, and how each ended."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

Facts = Callable[..., list[dict[str, Any]]]

# Received when the records begin or later: all its uses are recorded.
NEW = [{"instrument_id": "I1", "received_on": dt.date(2026, 1, 5)}]


def test_use_numbers_follow_time_and_a_canal_counts_once(facts: Facts) -> None:
    rows = facts(
        "instrument_canals",
        instruments=NEW,
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | started_at          | result
            U1     | T2           | S     | I1            | 2026-01-09 09:00:00 | intact
            U2     | T1           | P     | I1            | 2026-01-05 09:30:00 | intact
            U3     | T1           | B     | I1            | 2026-01-05 09:00:00 | intact
            U4     | T1           | B     | I1            | 2026-01-05 09:45:00 | intact
            U5     | T3           | S     |               | 2026-01-10 09:00:00 | intact
        """,
    )
    numbers = {(row["treatment_id"], row["canal"]): row["use_number"] for row in rows}
    assert numbers == {("T1", "B"): 1, ("T1", "P"): 2, ("T2", "S"): 3}
    assert {(row["uses"], row["teeth"]) for row in rows} == {(3, 2)}


def test_a_use_without_a_time_takes_that_of_its_canal_or_treatment(facts: Facts) -> None:
    rows = facts(
        "instrument_canals",
        instruments=NEW,
        treatments="""
            treatment_id | patient_id | tooth | started_on
            T1           | A          | 16    | 2026-01-03
            T2           | B          | 11    | 2026-01-05
        """,
        canals="""
            treatment_id | canal | started_at
            T1           | P     |
            T2           | S     | 2026-01-02 09:00:00
        """,
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | started_at          | result
            U1     | T1           | P     | I1            |                     | intact
            U2     | T2           | S     | I1            |                     | intact
            U3     | T3           | S     | I1            | 2026-01-04 10:00:00 | intact
        """,
    )
    assert {row["treatment_id"]: row["use_number"] for row in rows} == {"T2": 1, "T1": 2, "T3": 3}


def test_a_separation_known_to_the_incidents_alone_ends_the_instrument(facts: Facts) -> None:
    given: dict[str, Any] = {
        "instrument_uses": """
            use_id | treatment_id | canal | instrument_id | started_at          | result
            U1     | T1           | S     | I1            | 2026-01-05 09:00:00 | intact
            U2     | T2           | S     | I1            | 2026-01-06 09:00:00 | intact
            U3     | T2           | S     | I2            | 2026-01-06 09:10:00 | deformed
        """,
        "incidents": """
            incident_id | treatment_id | canal | instrument_id | kind
            X1          | T2           | S     | I1            | separation
        """,
    }
    lives = {row["instrument_id"]: row for row in facts("instrument_facts", **given)}
    assert (lives["I1"]["ended_at_use"], lives["I1"]["separated_at_use"]) == (2, 2)
    assert (lives["I2"]["ended_at_use"], lives["I2"]["separated_at_use"]) == (1, None)
    uses = {row["use_id"]: row["separations"] for row in facts("use_facts", **given)}
    assert uses == {"U1": 0, "U2": 1, "U3": 0}


def test_a_separation_that_both_tell_of_counts_once_among_the_uses(facts: Facts) -> None:
    rows = facts(
        "use_facts",
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | result
            U1     | T1           | MB    | I1            | intact
            U2     | T1           | MB    | I2            | separated
        """,
        incidents="""
            incident_id | treatment_id | canal | instrument_id | kind
            X1          | T1           | MB    |               | separation
        """,
    )
    assert {row["use_id"]: row["separations"] for row in rows} == {"U1": 0, "U2": 1}


def test_life_of_an_instrument_across_sequences_and_dentists(facts: Facts) -> None:
    rows = facts(
        "instrument_facts",
        treatments="""
            treatment_id | patient_id | tooth | dentist
            T1           | A          | 16    | D1
            T2           | B          | 11    | D2
        """,
        canals="""
            treatment_id | canal | sequence
            T1           | B     | A
            T2           | S     | B
        """,
        instruments="""
            instrument_id | size | motion   | use_limit | retired_on | retired_reason
            I1            | 25   | rotation | 8         | 2026-02-01 | use limit
        """,
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | size | motion   | result
            U1     | T1           | B     | I1            | 25   | rotation | intact
            U2     | T2           | S     | I1            | 25   | rotation | discarded
            U3     | T2           | S     | I2            | 30   | hand     | intact
        """,
    )
    lives = {row["instrument_id"]: row for row in rows}
    one = lives["I1"]
    assert (one["sequence"], one["dentist"], one["uses"], one["teeth"]) == ("mixed", "mixed", 2, 2)
    assert (one["happened_on"], one["retired_reason"]) == (dt.date(2026, 2, 1), "use limit")
    two = lives["I2"]
    assert (two["sequence"], two["dentist"], two["motion"], two["size"], two["uses"]) == ("B", "D2", "hand", 30, 1)


PRICES = """
    instrument_id | price | use_limit | retired_on | sterilisations | received_on
    spent         | 12.00 | 4         | 2026-02-01 |                | 2026-01-01
    early         | 12.00 | 4         | 2026-02-01 |                | 2026-01-01
    beyond        | 12.00 | 2         | 2026-02-01 |                | 2026-01-01
    in service    | 12.00 | 4         |            |                | 2026-01-01
    no limit      | 12.00 |           | 2026-02-01 | 6              | 2026-01-01
    unknown       |       | 4         | 2026-02-01 |                | 2026-01-01
    open          | 12.00 |           |            |                | 2026-01-01
"""
USES = {"spent": 4, "early": 1, "beyond": 3, "in service": 2, "no limit": 3, "unknown": 2, "open": 2}
COSTS = {  # of each use, sterilisation at 0.50 a cycle left out
    "spent": [3, 3, 3, 3],
    "early": [12],
    "beyond": [4, 4, 4],
    "in service": [3, 3],
    "no limit": [4, 4, 4],
    "unknown": [None, None],
    "open": [None, None],
}


def one_use_a_tooth(uses: dict[str, int]) -> list[dict[str, Any]]:
    return [
        {
            "use_id": f"U {instrument} {n}",
            "treatment_id": f"T{n}",
            "canal": "S",
            "instrument_id": instrument,
            "started_at": dt.datetime(2026, 1, 1 + n),
        }
        for instrument, number in uses.items()
        for n in range(number)
    ]


def test_price_of_a_use(facts: Facts) -> None:
    """12.00 over 4 uses and 0.50 a cycle are 3.50; what an instrument retired early had left goes to its last canal."""
    rows = facts(
        "instrument_canals",
        settings={"sterilisation_cost": 0.5},
        instruments=PRICES,
        instrument_uses=one_use_a_tooth(USES),
    )
    rows.sort(key=lambda row: row["use_number"])
    for instrument, expected in COSTS.items():
        of_instrument = [row for row in rows if row["instrument_id"] == instrument]
        assert [row["price_share"] for row in of_instrument] == pytest.approx(expected), instrument
        # One cycle a tooth; counted cycles where they were counted (6 for the one without a limit).
        cycle = 0.5 if instrument != "no limit" else 6 * 0.5 / 3
        assert [row["sterilisation_share"] for row in of_instrument] == pytest.approx([cycle] * len(of_instrument))


one_instrument = st.tuples(
    st.floats(0.5, 60).map(lambda price: round(price, 2)),
    st.one_of(st.none(), st.integers(1, 12)),  # limit
    st.booleans(),  # retired
    st.integers(1, 12),  # uses
)


@settings(max_examples=30, deadline=None)
@given(stock=st.lists(one_instrument, min_size=1, max_size=15))
def test_costs_add_up_to_the_price_of_what_was_retired(
    facts: Facts, stock: list[tuple[float, int | None, bool, int]]
) -> None:
    rows = facts(
        "instrument_canals",
        instruments=[
            {
                "instrument_id": f"I{i}",
                "price": p,
                "use_limit": n,
                "received_on": dt.date(2026, 1, 5),
                "retired_on": dt.date(2026, 2, 1) if r else None,
            }
            for i, (p, n, r, _) in enumerate(stock)
        ],
        instrument_uses=one_use_a_tooth({f"I{i}": uses for i, (*_, uses) in enumerate(stock)}),
    )
    for i, (price, limit, retired, uses) in enumerate(stock):
        shares = [row["price_share"] for row in rows if row["instrument_id"] == f"I{i}"]
        if retired or (limit is not None and uses >= limit):
            assert sum(shares) == pytest.approx(price)
        elif limit is None:
            assert set(shares) == {None}
        else:
            assert sum(shares) == pytest.approx(price * uses / limit)


def test_what_a_canal_consumed(facts: Facts) -> None:
    """An instrument that returns counts once; two without serial are told apart by size, taper and motion."""
    rows = facts(
        "canal_facts",
        canals="""
            treatment_id | canal
            T1           | B
            T1           | P
            T1           | S
        """,
        instruments="""
            instrument_id | price | use_limit
            I1            | 8.00  | 8
        """,
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | size | taper | motion
            U1     | T1           | B     | I1            | 15   | 0.02  | hand
            U2     | T1           | B     | I1            | 15   | 0.02  | hand
            U3     | T1           | B     |               | 15   | 0.02  | hand
            U4     | T1           | B     |               | 15   | 0.02  | hand
            U5     | T1           | B     |               | 15   | 0.04  | hand
            U6     | T1           | P     | I1            | 15   | 0.02  | hand
        """,
    )
    canals = {row["canal"]: row for row in rows}
    assert (canals["B"]["untracked_uses"], canals["B"]["cost"]) == (3, 1.0)
    assert (canals["P"]["untracked_uses"], canals["P"]["cost"]) == (0, 1.0)
    assert (canals["S"]["untracked_uses"], canals["S"]["cost"]) == (None, None)


def test_instruments_of_a_canal_are_told_apart_by_serial_or_by_size_taper_and_motion(facts: Facts) -> None:
    """I1 returns, and is written down once as size 20; of the three without serial two are alike."""
    rows = facts(
        "canal_items",
        instrument_uses="""
            use_id | treatment_id | canal | instrument_id | size | taper | motion
            U1     | T1           | B     | I1            | 15   | 0.02  | hand
            U2     | T1           | B     | I1            | 15   | 0.02  | hand
            U3     | T1           | B     | I1            | 20   | 0.02  | hand
            U4     | T1           | B     |               | 15   | 0.02  | hand
            U5     | T1           | B     |               | 15   | 0.02  | hand
            U6     | T1           | B     |               | 15   | 0.04  | hand
            U7     | T1           | P     | I1            | 15   | 0.02  | hand
        """,
    )
    of_b = [(row["item"], row["size"]) for row in rows if row["canal"] == "B"]
    assert len(of_b) == 4 and len({item for item, _ in of_b}) == 3
    assert {row["item"] for row in rows if row["canal"] == "P"} == {"serial I1"}


def test_an_instrument_older_than_the_records_has_no_use_numbers(facts: Facts) -> None:
    """Old: received before. Few cycles: no more than its teeth, so no other use. From the stock: first seen later."""
    first, later = dt.datetime(2026, 1, 1, 9), dt.datetime(2026, 4, 1, 9)
    old = "received before the records of uses begin: how often it was used before is not known"
    unknown = "seen in the first 90 days of the records, day of reception not recorded: it may have been in use before"
    given: dict[str, Any] = {
        "instruments": [
            {"instrument_id": "new", "received_on": dt.date(2026, 1, 1), "sterilisations": 9},
            {"instrument_id": "old", "received_on": dt.date(2025, 12, 31), "sterilisations": 9},
            {"instrument_id": "from the stock", "received_on": dt.date(2025, 12, 31), "sterilisations": 9},
            {"instrument_id": "last day", "received_on": dt.date(2025, 12, 31), "sterilisations": 9},
            {"instrument_id": "few cycles", "received_on": dt.date(2025, 12, 31), "sterilisations": 1},
            {"instrument_id": "not told", "received_on": None, "sterilisations": None},
        ],
        "instrument_uses": [
            {"use_id": f"{name} {n}", "treatment_id": "T1", "canal": canal, "instrument_id": name, "started_at": at}
            for name, at in {
                "new": first,
                "old": first,
                "few cycles": first,
                "not told": first,
                "unlisted": later,
                "from the stock": later,
                "last day": later - dt.timedelta(days=1),
            }.items()
            for n, canal in enumerate(("B", "P"))
        ],
    }
    found = {row["instrument_id"]: row["earlier_uses"] for row in facts("instrument_service", **given)}
    assert found == {"new": None, "old": old, "few cycles": None, "not told": unknown, "unlisted": None} | {
        "from the stock": None,
        "last day": old,
    }
    numbers: dict[str, list[Any]] = {}
    for row in sorted(facts("instrument_canals", **given), key=lambda row: row["recorded_use_number"]):
        numbers.setdefault(row["instrument_id"], []).append(row["use_number"])
    assert numbers == {name: [None, None] if why else [1, 2] for name, why in found.items()}
    lives = {row["instrument_id"]: row["earlier_uses"] for row in facts("instrument_facts", **given)}
    assert lives == found


def test_the_cost_of_an_instrument_older_than_the_records_is_not_known(facts: Facts) -> None:
    """Neither within its limit nor in its last use: a part of its price was borne by uses that nobody recorded."""
    rows = facts(
        "instrument_canals",
        instruments="""
            instrument_id | price | use_limit | received_on | retired_on
            in service    | 12.00 | 4         | 2025-12-31  |
            retired       | 12.00 | 4         | 2025-12-31  | 2026-02-01
            no limit      | 12.00 |           | 2025-12-31  | 2026-02-01
        """,
        instrument_uses=one_use_a_tooth({"in service": 2, "retired": 2, "no limit": 2}),
    )
    assert len(rows) == 6 and {row["price_share"] for row in rows} == {None}
