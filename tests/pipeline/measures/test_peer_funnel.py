"""The funnel of dentists: exact limits from the binomial distribution, their size, and over-dispersion from ten on."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.measures.catalogue import find
from pipeline.measures.kinds import funnel
from pipeline.store.database import in_memory

Row = dict[str, Any]


def of(teeth: dict[str, tuple[int, int]]) -> dict[str, Row]:
    """Rows for {dentist: (healed, judged)}."""
    units = pl.DataFrame(
        [{"dentist": d, "numerator": int(i < x), "cluster": None} for d, (x, n) in teeth.items() for i in range(n)],
        schema={"dentist": pl.String, "numerator": pl.Int64, "cluster": pl.String},
    )
    connection = in_memory()
    connection.register("given", units)
    connection.execute("create temp table kept as select * from given")
    return {row["dentist"]: row for row in funnel.rows(connection, "kept", find("peer_funnel"), (), 0.95)}


@pytest.mark.parametrize("n", [5, 20, 61, 200])
def test_limits_are_exact_binomial_ones(n: int) -> None:
    """Oracle: SciPy's binomial distribution, beyond a limit by chance at most 2.5 (0.1) in 100 each side."""
    rows = of({"D1": (n - n // 5, n), "D2": (160, 200), "D3": (120, 150)})
    row, target = rows["D1"], rows["D1"]["target"]
    assert target == pytest.approx((n - n // 5 + 280) / (n + 350))
    for side, level in (("95", 0.025), ("998", 0.001)):
        low, high = (round(row[f"limit_{end}_{side}"] * n) for end in ("low", "high"))
        assert stats.binom.cdf(low - 1, n, target) < level <= stats.binom.cdf(low, n, target)
        assert stats.binom.sf(high, n, target) <= level < stats.binom.sf(high - 1, n, target)
    assert 0 <= row["low"] <= row["estimate"] <= row["high"] <= 1


def test_the_same_share_lies_outside_with_many_teeth_and_inside_with_few() -> None:
    rows = of({"many": (105, 150), "few": (7, 10), "peers": (540, 600)})
    assert rows["many"]["position"] == "below the 99.8 % limit"
    assert rows["few"]["position"] == "inside"


def test_one_dentist_in_twenty_at_most_lies_outside_by_chance() -> None:
    """2,000 dentists of 60 teeth, all alike: at most 5 in 100 outside 95 %, 0.2 in 100 outside 99.8 %."""
    rng = np.random.default_rng(4)
    rows = of({f"D{i}": (int(x), 60) for i, x in enumerate(rng.binomial(60, 0.85, 2000))})
    places = [row["position"] for row in rows.values()]
    outside = np.mean([p != "inside" for p in places])
    far = np.mean(["99.8" in p for p in places])
    assert 0.01 < outside < 0.06
    assert far < 0.006


def test_dentists_who_vary_beyond_chance_widen_the_limits_from_ten_on() -> None:
    varied = [30, 58, 40, 55, 33, 57, 45, 59, 36, 50]
    nine = of({f"D{i}": (x, 60) for i, x in enumerate(varied[:9])})
    ten = of({f"D{i}": (x, 60) for i, x in enumerate(varied)})
    assert not any(row["overdispersion_allowed_for"] for row in nine.values())
    assert all(row["overdispersion_allowed_for"] for row in ten.values())
    assert {row["position"] for row in nine.values()} > {"inside"}
    assert {row["position"] for row in ten.values()} == {"inside"}
    assert ten["D0"]["limit_low_95"] < nine["D0"]["limit_low_95"]


def test_all_healed_and_one_dentist_alone() -> None:
    rows = of({"D1": (8, 8), "D2": (5, 5)})
    assert [(r["estimate"], r["position"]) for r in rows.values()] == [(1, "inside")] * 2
    (alone,) = of({"D1": (7, 9)}).values()
    assert (alone["target"], alone["position"], alone["units"]) == (pytest.approx(7 / 9), "inside", 1)
