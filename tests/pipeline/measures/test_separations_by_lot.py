"""Funnels of lots: where few lots vary by chance none is flagged, and a bad one among many is."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.stats import binom

from pipeline.measures.catalogue import find
from pipeline.measures.kinds import funnel
from pipeline.store.database import in_memory

Row = dict[str, Any]


def lots(counts: dict[str, tuple[int, int]], confidence: float = 0.95) -> list[Row]:
    """Rows of the funnel for {lot: (events, uses)}."""
    connection = in_memory()
    connection.execute("create temp table kept (lot varchar, numerator integer, cluster varchar)")
    for lot, (events, uses) in counts.items():
        connection.execute(
            "insert into kept select ?, case when i <= ? then 1 else 0 end, null from range(1, ? + 1) as t(i)",
            [lot, events, uses],
        )
    return funnel.rows(connection, "kept", find("separations_by_lot"), (), confidence)


def test_a_bad_lot_stands_out_and_the_others_do_not() -> None:
    rows = lots({f"L{i:02d}": (1, 200) for i in range(11)} | {"bad": (9, 200)})
    at = {row["lot"]: row for row in rows}
    target = 20 / 2400
    assert at["bad"]["target"] == pytest.approx(1000 * target)
    assert at["bad"]["position"] == "above the 99.8 % limit"
    # Binomial(200, 20/2400): nine or more have a chance below 0.001 (SciPy).
    assert binom.sf(8, 200, target) < 0.001
    assert {row["position"] for lot, row in at.items() if lot != "bad"} == {"inside"}


def test_lots_that_all_vary_get_wider_limits_and_few_lots_do_not() -> None:
    varied = {f"L{i:02d}": (events, 400) for i, events in enumerate((2, 30, 4, 28, 1, 33, 3, 29, 2, 31, 5, 27))}
    many = lots(varied)
    assert all(row["overdispersion_allowed_for"] for row in many)
    assert {row["position"] for row in many} == {"inside"}
    few = lots(dict(list(varied.items())[:9]))
    assert not any(row["overdispersion_allowed_for"] for row in few)
    assert any(row["position"] != "inside" for row in few)


def test_by_chance_no_more_than_one_lot_in_twenty_lies_outside_the_95_limits() -> None:
    rng = np.random.default_rng(7)
    flagged = extreme = units = 0
    for _ in range(20):
        events = rng.binomial(140, 0.005, 30)
        rows = lots({f"L{i:02d}": (int(x), 140) for i, x in enumerate(events)})
        flagged += sum(row["position"] != "inside" for row in rows)
        extreme += sum("99.8" in row["position"] for row in rows)
        units += len(rows)
    assert units == 600
    assert flagged <= binom.ppf(0.999, units, 0.05)
    assert extreme <= binom.ppf(0.999, units, 0.002)


def test_without_any_separation_the_rate_is_zero_with_an_upper_limit() -> None:
    (row,) = lots({"L1": (0, 60)})
    # 0 of 60: exact Poisson upper limit 3.689 / 60 (Garwood 1936, table), per 1,000.
    assert (row["estimate"], row["low"]) == (0, 0)
    assert row["high"] == pytest.approx(1000 * 3.689 / 60, abs=0.01)
    assert row["position"] == "no other to compare with"
