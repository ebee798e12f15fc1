"""Rates within strata: exact against one stratum's binomial, clusters of one against Greenland and Robins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats import rates
from pipeline.stats.stratified_rates import clustered_rate, exact_ratio, mantel_haenszel_rate

counts = st.integers(0, 12)
times = st.integers(20, 400)
strata = st.lists(st.tuples(counts, times, counts, times), min_size=1, max_size=6)


@settings(max_examples=60, deadline=None)
@given(stratum=st.tuples(counts, times, counts, times))
def test_one_stratum_is_the_binomial_of_clopper_and_pearson(stratum: tuple[int, int, int, int]) -> None:
    x1, t1, x0, t0 = stratum
    found, plain = exact_ratio([x1], [t1], [x0], [t0]), rates.rate_ratio_exact(x1, t1, x0, t0)
    assert found.low == pytest.approx(plain.low) if plain.low is not None else found.low is None
    assert found.high == pytest.approx(plain.high) if plain.high is not None else found.high is None
    assert found.p == pytest.approx(plain.p) if plain.p is not None else found.p is None


@settings(max_examples=40, deadline=None)
@given(given_strata=strata)
def test_the_sides_change_places_and_the_ratio_turns_over(given_strata: list[tuple[int, int, int, int]]) -> None:
    a, t1, b, t0 = (list(v) for v in zip(*given_strata, strict=True))
    there, back = exact_ratio(a, t1, b, t0), exact_ratio(b, t0, a, t1)
    if there.n == 0:
        assert there.median_unbiased is there.low is there.high is there.p is None
        return
    assert there.p == pytest.approx(back.p)
    assert there.median_unbiased == pytest.approx(1 / back.median_unbiased)  # type: ignore[operator]
    assert there.low == pytest.approx(0 if back.high is None else 1 / back.high)
    assert there.low <= there.median_unbiased  # type: ignore[operator]
    assert there.high is None or there.median_unbiased <= there.high  # type: ignore[operator]


def test_limits_leave_their_chance_when_computed_by_hand() -> None:
    """Two strata, one separation each: 10 and 20 uses, and 30 and 20. S is the sum of two coins, p1 and p2 by r."""
    found = exact_ratio([1, 0], [10, 30], [0, 1], [20, 20])
    assert found.low is not None and found.high is not None and found.median_unbiased is not None

    def chances(r: float) -> tuple[float, float]:
        p1, p2 = r * 10 / (r * 10 + 20), r * 30 / (r * 30 + 20)
        return 1 - (1 - p1) * (1 - p2), 1 - p1 * p2  # one or two; none or one

    assert chances(found.low)[0] == pytest.approx(0.025)
    assert chances(found.high)[1] == pytest.approx(0.025)
    # At r = 1 the sums 0, 1, 2 have the chances .2667, .5333 and .2: one is the likeliest, so all are no more likely.
    assert found.p == pytest.approx(1.0)


def test_each_unit_a_cluster_of_its_own_is_near_greenland_and_robins() -> None:
    rng = np.random.default_rng(3)
    n = 40_000
    side, stratum = rng.random(n) < 0.4, rng.integers(0, 5, n)
    y = (rng.random(n) < 0.01 * (1 + stratum) * np.where(side, 1.5, 1.0)).astype(float)
    by = [np.bincount(stratum, weights=v) for v in (y * side, side, y * ~side, ~side)]
    plain = mantel_haenszel_rate(*by)
    found = clustered_rate(y, np.ones(n), side, stratum, np.arange(n))
    assert found.ratio == pytest.approx(plain.ratio)
    assert found.se_log == pytest.approx(plain.se_log, rel=0.03)
    assert plain.low is not None and found.low is not None and plain.high is not None and found.high is not None
    assert found.low <= plain.low and found.high >= plain.high


def test_separations_of_one_patient_widen_the_limits() -> None:
    """Every event three times over, in the same cluster: as much is known as of a third of them."""
    rng = np.random.default_rng(4)
    y = (rng.random(3000) < 0.03).astype(float)
    side, stratum, code = np.arange(3000) % 2 == 0, np.arange(3000) % 3, np.arange(3000)
    once = clustered_rate(y, np.ones(3000), side, stratum, code)
    thrice = clustered_rate(3 * y, np.full(3000, 3.0), side, stratum, code)
    assert thrice.se_log == pytest.approx(once.se_log, rel=0.05)
    apart = clustered_rate(*(np.tile(v, 3) for v in (y, np.ones(3000), side, stratum)), np.arange(9000))
    assert thrice.se_log > 1.5 * apart.se_log  # type: ignore[operator]


def test_below_forty_clusters_with_an_event_t_is_taken() -> None:
    y = np.zeros(400)
    y[:24] = 1
    side = np.arange(400) % 2 == 0
    found = clustered_rate(y, np.ones(400), side, np.zeros(400, dtype=int), np.arange(400))
    assert (found.clusters, found.df) == (24, 23)
    assert clustered_rate(y, np.ones(400), side, np.zeros(400, dtype=int), np.zeros(400)).low is None  # one patient


def test_order_of_units_and_names_of_clusters_do_not_matter() -> None:
    rng = np.random.default_rng(5)
    y, side, stratum = (rng.random(500) < 0.1).astype(float), rng.random(500) < 0.5, rng.integers(0, 3, 500)
    code = rng.integers(0, 100, 500)
    again = rng.permutation(500)
    one = clustered_rate(y, np.ones(500), side, stratum, code)
    other = clustered_rate(y[again], np.ones(500), side[again], stratum[again], 1000 - code[again])
    assert (one.ratio, one.low, one.high) == pytest.approx((other.ratio, other.low, other.high))


def test_what_is_turned_down() -> None:
    with pytest.raises(ValueError, match="one count"):
        mantel_haenszel_rate([1], [1, 2], [1], [1])
    with pytest.raises(ValueError, match="not negative"):
        exact_ratio([-1], [1], [1], [1])
    with pytest.raises(ValueError, match="whole"):
        exact_ratio([0.5], [1], [1], [1])
    with pytest.raises(ValueError, match="a unit"):
        clustered_rate([1.0], [1.0], [True], [0], [0, 1])


def test_strata_without_a_counterpart_tell_nothing() -> None:
    assert mantel_haenszel_rate([3, 5], [10, 10], [2, 0], [10, 0]) == mantel_haenszel_rate([3], [10], [2], [10])
    empty = mantel_haenszel_rate([3], [10], [0], [0])
    assert (empty.ratio, empty.strata_used, empty.p) == (None, 0, None)
