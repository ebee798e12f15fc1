"""Process charts: level series, gaps in the data, baselines, runs counted the slow way, false signals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, geom

from pipeline.stats.process import (
    Signal,
    anhoej,
    anhoej_limits,
    g_chart,
    individuals,
    laney,
    p_chart,
    signals,
    t_chart,
    u_chart,
)

series = st.lists(st.integers(-3, 3).map(float), max_size=40)


def test_individuals_of_nothing_one_and_level_values() -> None:
    assert individuals([]).centre is None
    one = individuals([7.0])
    assert (one.centre, one.low, one.high, one.tentative) == (7, None, None, True)
    level = individuals([0.1] * 15)
    assert level.mean_range == 0 and level.high == pytest.approx(0.1) and not level.tentative
    assert signals([0.1] * 15, level.centre, level.low, level.high) == []


def test_months_without_a_value_keep_their_place() -> None:
    values = [10, 12, np.nan, 11, 13, 12, 10, 11, 12, 13, 11, 12, 30]
    chart = individuals(values, baseline=[True] * 12 + [False])
    assert chart.n == 11 and chart.tentative
    assert chart.centre == pytest.approx(np.nanmean(values[:12]))
    assert chart.mean_range == pytest.approx(np.mean([2, 1, 2, 1, 2, 1, 1, 1, 2, 1]))
    assert signals(values, chart.centre, chart.low, chart.high) == [Signal("above the upper limit", 12, 12)]


def test_a_limit_below_the_possible_is_none() -> None:
    assert individuals([1, 9, 1, 9], floor=0).low is None
    assert individuals([1, 9, 1, 9]).low < 0
    assert np.isnan(p_chart([1, 0, 2], [10, 10, 10]).low).all()
    assert np.isnan(p_chart([9, 10, 8], [10, 10, 10]).high).all()
    assert np.isnan(u_chart([1, 2, 0], 1).low).all()


def test_individuals_limits_hold_a_normal_series() -> None:
    values = np.random.default_rng(2).normal(50, 8, 20_000)
    chart = individuals(values)
    assert chart.mean_range == pytest.approx(8 * 1.1284, rel=0.02)
    assert (chart.low, chart.high) == pytest.approx((26, 74), abs=0.5)
    assert np.mean((values < chart.low) | (values > chart.high)) == pytest.approx(0.0027, abs=0.0012)


def test_months_without_units_and_a_chart_without_any() -> None:
    chart = p_chart([2, 0, 3], [10, 0, 20])
    assert chart.n == 2 and chart.centre == pytest.approx(5 / 30)
    assert np.isnan([chart.values[1], chart.low[1], chart.high[1]]).all()
    nothing = p_chart([0, 0], [0, 0])
    assert nothing.centre is None and np.isnan(nothing.high).all() and nothing.sparse
    assert p_chart([], []).n == 0
    assert u_chart([4, 6], [2, 3]).centre == 2
    with pytest.raises(ValueError, match="between 0 and n"):
        p_chart([3], [2])
    with pytest.raises(ValueError, match="not negative"):
        u_chart([-1], 1)
    with pytest.raises(ValueError, match="baseline"):
        p_chart([1], [2], baseline=[True, False])


def test_no_events_at_all_draw_no_band_and_no_signal() -> None:
    chart = p_chart([0] * 14, [40] * 14)
    assert chart.centre == 0 and (chart.high == 0).all() and chart.sparse and not chart.tentative
    assert signals(chart.values, chart.centre, chart.low, chart.high) == []


def test_limits_follow_the_size_of_the_month() -> None:
    chart = p_chart([10, 20, 40], [100, 200, 400])
    for n, high in zip([100, 200, 400], chart.high, strict=True):
        assert high == pytest.approx(0.1 + 3 * np.sqrt(0.1 * 0.9 / n))


def test_laney_by_hand() -> None:
    # Shares .10 .20 .15 of 1,000 each: p = .15, sigma = .0112916, z = -4.4282, 4.4282, 0; mean |step| = 6.6422.
    chart = laney([100, 200, 150], [1000] * 3, d2=1.128)
    sigma = np.sqrt(0.15 * 0.85 / 1000)
    expected = (0.1 / sigma + 0.05 / sigma) / 2 / 1.128
    assert chart.sigma_z == pytest.approx(expected) == pytest.approx(5.8885, abs=1e-3)
    assert chart.high == pytest.approx(0.15 + 3 * sigma * expected)
    u = laney([100, 200, 150], [1000] * 3, kind="u")
    assert u.sigma_z == pytest.approx((0.1 + 0.05) / np.sqrt(0.15 / 1000) / 2 / 1.1283792, rel=1e-6)
    assert p_chart([1], [2]).sigma_z is None and laney([1], [2]).sigma_z is None


def test_laney_is_the_plain_chart_where_only_chance_varies() -> None:
    rng = np.random.default_rng(8)
    n = rng.integers(200, 400, 5000)
    x = rng.binomial(n, 0.3)
    assert laney(x, n).sigma_z == pytest.approx(1, abs=0.03)
    spread = rng.binomial(n, np.clip(rng.normal(0.3, 0.05, n.size), 0, 1))
    assert laney(spread, n).sigma_z > 1.5


def slow_runs(values: list[float], centre: float) -> tuple[int, int, int]:
    """Useful points, longest run, crossings: counted one by one."""
    longest = run = crossings = useful = 0
    last = None
    for v in values:
        if v == centre:
            continue
        useful += 1
        side = v > centre
        if side == last:
            run += 1
        else:
            crossings += last is not None
            run = 1
        last = side
        longest = max(longest, run)
    return useful, longest, crossings


@given(series, st.integers(-1, 1).map(float))
def test_runs_are_those_counted_one_by_one(values: list[float], centre: float) -> None:
    found = anhoej(values, centre)
    assert (found.n_useful, found.longest_run, found.crossings) == slow_runs(values, centre)
    if found.n_useful:
        assert found.long_run == (found.longest_run > found.longest_run_max)
        assert found.few_crossings == (found.crossings < found.crossings_min)
        run = np.array(values[found.run_first : found.run_last + 1])
        assert np.sum(run != centre) == found.longest_run
        assert len(set(np.sign(run[run != centre] - centre))) == 1
    else:
        assert found.run_first is None and not found.long_run and not found.few_crossings


@given(st.integers(1, 3000))
def test_fewest_crossings_are_the_binomial_quantile(n: int) -> None:
    longest, crossings = anhoej_limits(n)
    assert crossings == (binom.ppf(0.05, n - 1, 0.5) if n > 1 else 0)
    assert longest == round(np.log2(n)) + 3


def test_points_on_the_line_neither_break_nor_extend_a_run() -> None:
    found = anhoej([1, 0, 1, 1, 0, -1], 0)
    assert (found.n_useful, found.longest_run, found.crossings) == (4, 3, 1)
    assert (found.run_first, found.run_last) == (0, 3)
    assert anhoej_limits(0) == (None, None)


def test_a_shift_is_a_long_run_and_few_crossings() -> None:
    values = [-1.0, 1, -1, 1, -1, 1] + [2.0] * 9 + [np.nan]
    assert signals(values, 0, None, None) == [Signal("long run", 5, 14)]
    halves = [-1.0] * 10 + [1.0] * 10
    assert [s.rule for s in signals(halves, 0, None, None)] == ["long run", "few crossings"]
    assert signals(halves, 0, None, None)[1] == Signal("few crossings", 0, 19)
    assert signals([], None, None, None) == []


def test_signals_by_month_with_limits_that_change() -> None:
    found = signals([0.2, 0.5, 0.0], 0.2, [0.1, 0.1, 0.1], [0.3, 0.6, np.nan])
    assert found == [Signal("below the lower limit", 2, 2)]


def test_run_rules_seldom_signal_by_chance() -> None:
    draws = np.random.default_rng(3).normal(size=(3000, 24))
    found = [anhoej(d, 0.0) for d in draws]
    assert np.mean([f.long_run for f in found]) < 0.05
    assert np.mean([f.few_crossings for f in found]) < 0.06


@given(st.lists(st.integers(0, 400), min_size=1, max_size=60))
def test_g_chart_quantile_is_the_geometric_one(gaps: list[int]) -> None:
    chart = g_chart(gaps)
    mean = float(np.mean(gaps))
    assert chart.mean == pytest.approx(mean) and chart.tentative == (len(gaps) < 12)
    assert chart.high >= chart.mean >= chart.low == 0
    if mean > 0:
        # SciPy's counts the event's own trial; ours counts the units before it.
        assert chart.high_probability == pytest.approx(geom.ppf(0.99865, 1 / (mean + 1)) - 1)
        # Half of the gaps lie beyond the centre line if it is the median of a geometric distribution.
        assert (1 - chart.p) ** chart.centre == pytest.approx(0.5)


def test_g_chart_edges() -> None:
    assert g_chart([]).mean is None
    every_unit = g_chart([0, 0, 0])
    assert (every_unit.p, every_unit.centre, every_unit.high, every_unit.high_probability) == (1, 0, 0, 0)
    with pytest.raises(ValueError, match="not negative"):
        g_chart([3, -1])


def test_t_chart_refuses_gaps_of_0_and_limits_exponential_gaps() -> None:
    with pytest.raises(ValueError, match="finer unit"):
        t_chart([3, 0, 2])
    assert t_chart([]).centre is None
    gaps = np.random.default_rng(6).exponential(30, 20_000)
    chart = t_chart(gaps)
    assert chart.centre == pytest.approx(30 * np.log(2), rel=0.1)
    assert np.mean(gaps > chart.high) == pytest.approx(0.00135, abs=0.001)
