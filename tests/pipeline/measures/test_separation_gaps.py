"""Gaps between rare events: g and t charts over canals in order of time."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pipeline.measures.catalogue import find
from pipeline.measures.kinds import gaps
from pipeline.store.database import in_memory

Row = dict[str, Any]
FIRST = dt.date(2026, 1, 1)


def chart(canals: list[tuple[int, int]]) -> list[Row]:
    """Rows for canals in order: (day from the first, separations)."""
    connection = in_memory()
    connection.execute(
        "create temp table kept (happened_on date, happened_at timestamp, treatment_id varchar, canal varchar, "
        "numerator integer)"
    )
    connection.executemany(
        "insert into kept values (?, ?, ?, 'S', ?)",
        [
            (FIRST + dt.timedelta(days=d), dt.datetime.combine(FIRST, dt.time(9)) + dt.timedelta(days=d), f"T{i:05}", x)
            for i, (d, x) in enumerate(canals)
        ],
    )
    return gaps.rows(connection, "kept", find("separation_gaps"), (), 0.95)


def in_order(between: list[int]) -> list[tuple[int, int]]:
    """One canal a day, with so many canals without an event between one event and the next."""
    events = [1]
    for gap in between:
        events += [0] * gap + [1]
    return list(enumerate(events))


def test_published_gaps() -> None:
    """28 gaps of Benneyan 1998, as printed in the worked example of a g chart: mean 2.321429, quantile 18."""
    printed = [0, 0, 2, 1, 13, 2, 0, 1, 1, 1, 1, 0, 1, 1, 16, 0, 1, 1, 2, 10, 1, 1, 2, 2, 0, 2, 3, 0]
    rows = chart(in_order(printed))
    assert [row["canals"] for row in rows if not row["at_least"]] == printed
    assert {row["canals_high"] for row in rows} == {18}
    # The median of a geometric distribution with mean 2.321429: ln 0.5 / ln(1 - 1 / 3.321429) = 1.94, by hand.
    assert rows[0]["canals_centre"] == pytest.approx(1.94, abs=0.01)
    assert rows[0]["events"] == 29


def test_a_gap_far_longer_than_the_others_is_told_as_such() -> None:
    rows = chart(in_order([4, 6, 5, 3, 7, 5, 4, 6, 5, 4, 6, 5, 90]))
    signals = {row["canals"]: row["signal"] for row in rows if row["gap"] == "between"}
    assert "more canals than usual" in signals[90]
    assert "more days than usual" in signals[90]


def test_an_open_gap_makes_no_limits_but_can_already_be_long() -> None:
    usual = in_order([4, 6, 5, 3, 7, 5, 4, 6, 5, 4, 6, 5])
    still = [(usual[-1][0] + i, 0) for i in range(1, 100)]
    short, long = chart(usual), chart(usual + still)
    limits = ("canals_high", "canals_centre", "days_high", "days_low", "days_centre")
    assert [short[0][k] for k in limits] == [long[0][k] for k in limits]
    assert (long[-1]["gap"], long[-1]["canals"], long[-1]["at_least"]) == ("since the last", 99, True)
    assert long[-1]["signal"] == "more canals than usual; more days than usual"
    assert short[-1]["signal"] == ""


def test_short_gaps_in_a_row_are_a_run() -> None:
    rows = chart(in_order([40, 55, 38, 60, 45, 50, 42, 2, 3, 1, 2, 3, 2, 1, 3, 2]))
    assert sum("fewer canals than usual for a long run" in row["signal"] for row in rows) == 9


def test_two_separations_on_one_day_or_in_one_canal_have_a_place_on_both_charts() -> None:
    rows = chart([(0, 0), (1, 1), (1, 1), (5, 2), (9, 0)])
    between = [(row["canals"], row["days"]) for row in rows if row["gap"] == "between"]
    assert between == [(0, 0), (0, 4), (0, 0)]
    assert rows[0]["events"] == 4
    assert rows[0]["days_high"] is not None


def test_a_single_separation_has_open_gaps_only() -> None:
    rows = chart([(0, 0), (1, 1), (2, 0), (3, 0)])
    assert [(row["gap"], row["canals"], row["at_least"]) for row in rows] == [
        ("before the first", 1, True),
        ("since the last", 2, True),
    ]
    assert all(row["canals_high"] is None and row["days_high"] is None for row in rows)
    # 4 canals / 1 separation, Garwood 0.0253 to 5.572 (1936, table): 4 / 5.572 and 4 / 0.0253 canals.
    assert (rows[0]["low"], rows[0]["high"]) == (pytest.approx(0.718, abs=0.001), pytest.approx(158, abs=0.5))
