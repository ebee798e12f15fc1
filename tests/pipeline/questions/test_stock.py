"""`canalwise stock`: from exports to what lies in stock, how long it lasts and what the next months will need."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]


@pytest.fixture
def stocked(canalwise: Run, export: Callable[..., Path], sound: Callable[..., dict[str, Any]], store: Path) -> Path:
    """Sixty days: a new instrument of size 25 every day, of size 30 every tenth; 20 of each left, and one expired."""
    first = dt.date(2026, 5, 2)
    used = [(f"A{i}", "25", first + dt.timedelta(i)) for i in range(60)]
    used += [(f"B{i}", "30", first + dt.timedelta(i)) for i in range(0, 60, 10)]
    export("treatments.csv", [sound("treatments", started_on="2026-05-02", completed_on=None, status="in progress")])
    export("canals.csv", [sound("canals", started_at=None, finished_at=None)])
    export(
        "uses.csv",
        [
            sound("instrument_uses", use_id=f"U-{serial}", instrument_id=serial, size=size, started_at=f"{day} 09:20")
            for serial, size, day in used
        ],
    )
    left = [(f"C{i}", ("25", "30")[i % 2], None) for i in range(40)] + [("D1", "30", "2026-01-31")]
    everything = [(serial, size, None) for serial, size, _ in used] + left
    path = export(
        "instruments.csv",
        [
            sound("instruments", instrument_id=serial, size=size, received_on="2025-01-10", expires_on=expires)
            for serial, size, expires in everything
        ],
    )
    canalwise("ingest", path.parent, "--store", store, "--quiet")
    return store


def test_stock_says_what_lasts_how_long(canalwise: Run, stocked: Path) -> None:
    rows = canalwise("stock", "--store", stocked, "--by", "size", "--json").json["rows"]
    found = {(row["size"], row["time"]): row for row in rows}
    assert found.keys() == {(size, days) for size in (25, 30) for days in (30, 60, 90)}
    # 60 and 6 instruments in 60 days: 1 and 0.1 a day; 20 last 20 and 200 days.
    assert [found[25, days]["estimate"] for days in (30, 60, 90)] == [30, 60, 90]
    assert [found[30, days]["estimate"] for days in (30, 60, 90)] == [3, 6, 9]
    assert (found[25, 30]["in_stock"], found[25, 30]["days_left"]) == (20, 20)
    assert (found[30, 30]["in_stock"], found[30, 30]["days_left"]) == (20, 200)
    assert found[25, 30]["days_left_low"] < 20 < found[25, 30]["days_left_high"]


def test_stock_is_a_line_a_size_for_people_the_soonest_first(canalwise: Run, stocked: Path) -> None:
    ran = canalwise("stock", "--store", stocked)
    assert ran.code == 0
    lines = [line.split() for line in ran.out.splitlines() if line.startswith("rotation")]
    assert [line[1] for line in lines] == ["25", "30"]
    assert "next 90 days" in ran.out
    assert "left out: 1 - expired before it was used" in ran.out


def test_stock_without_instruments_says_what_is_missing(
    canalwise: Run, export: Callable[..., Path], sound: Callable[..., dict[str, Any]], store: Path
) -> None:
    canalwise("ingest", export("treatments.csv", [sound("treatments")]), "--store", store, "--quiet")
    ran = canalwise("stock", "--store", store)
    assert ran.code == 2
    assert "no instruments" in ran.err
    assert len([line for line in ran.err.splitlines() if line.startswith("canalwise:")]) == 1
