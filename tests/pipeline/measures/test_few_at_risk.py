"""A curve tells no figure where it is not firm: `few_at_risk` where fewer than five are still at risk."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.measures.kinds import competing, hazard, survival, survival_compared
from pipeline.store.database import in_memory

# Eight teeth: events in months 1, 2, 3, 5 and 8; the others are last seen in months 4, 6 and 7.
TIMES = [1, 2, 3, 4, 5, 6, 7, 8]
EVENTS = [1, 1, 1, 0, 1, 0, 0, 1]
MEASURE: Any = SimpleNamespace(horizons=(3.5, 4.5), order=("any",), compare="dentist", columns=("time", "event"))


def units() -> Any:
    connection = in_memory()
    connection.execute(
        "create temp table units (time double, event integer, cause varchar, hazard_limit double, dentist varchar)"
    )
    connection.executemany(
        "insert into units values (?, ?, ?, null, 'D1')",
        [[t, e, "any" if e else None] for t, e in zip(TIMES, EVENTS, strict=True)],
    )
    return connection


@pytest.mark.parametrize("kind", [survival, competing, hazard])
def test_from_the_fifth_month_on_fewer_than_five_are_at_risk(kind: Any) -> None:
    rows = kind.rows(units(), "units", MEASURE, (), 0.95)
    few = {row["time"]: row["few_at_risk"] for row in rows}
    assert {time for time, is_few in few.items() if is_few} == {time for time in few if time > 4}
    assert len(set(few.values())) == 2
    assert all(row["few_at_risk"] is (row["at_risk"] < 5) for row in rows)
    for row in rows:
        figures = [row[name] for name in ("estimate", "low", "high")]
        assert figures == [None] * 3 if row["few_at_risk"] else None not in figures


def test_the_row_keeps_its_counts() -> None:
    row = survival.rows(units(), "units", MEASURE, (), 0.95)[-1]
    assert (row["time"], row["at_risk"], row["events"], row["few_at_risk"]) == (8, 1, 1, True)


@pytest.mark.parametrize(("month", "at_risk", "estimate"), [(3.5, 5, 5 / 8), (4.5, 4, None)])
def test_compared_groups_say_it_of_the_time_shown(month: float, at_risk: int, estimate: float | None) -> None:
    """Month 3.5: 7/8 x 6/7 x 5/6 = 5/8, five teeth left; in month 4.5 four (months 5 to 8)."""
    measure: Any = SimpleNamespace(**vars(MEASURE) | {"horizons": (month,)})
    (row,) = survival_compared.rows(units(), "units", measure, ("dentist",), 0.95)
    assert (row["at_risk"], row["few_at_risk"]) == (at_risk, estimate is None)
    assert row["estimate"] == (None if estimate is None else pytest.approx(estimate))
    assert (row["n"], row["patients"]) == (8, 8)
