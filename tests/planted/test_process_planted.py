"""The slower visits that the demo plants from April 2026 on are what the process chart signals."""

from __future__ import annotations

from typing import Any

from demo_data import truth

Demo = Any  # of conftest.py


def test_the_months_of_slower_visits_are_signals_and_later_ones_only(demo: Demo) -> None:
    chart = demo.program.run(
        "measure", "chair_minutes_per_visit", "--by", "month", "--process", "--settings", demo.program.settings
    )
    beyond = [s["first"] for s in chart["signals"] if s["rule"] == "above the upper limit"]
    slower = [row["month"] for row in chart["rows"] if row["month"] >= truth.SLOWER_SINCE[:7]]
    assert set(beyond) & set(slower)
    # Whole months before the change: one in a hundred or so lies outside by chance; the first of the practice is short.
    earlier = [m for m in beyond if m not in slower]
    assert len(earlier) <= 1, earlier
    assert chart["method"] == "individuals"
