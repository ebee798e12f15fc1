"""Amounts: the classical t interval from sums, and the ratio estimator with clusters."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.stats.amounts import mean_interval

costs = st.lists(st.floats(-1000, 1000).map(lambda v: round(v, 2)), min_size=2, max_size=50)


@given(costs, st.sampled_from([0.9, 0.95, 0.99]))
def test_the_plain_interval_is_students(values: list[float], confidence: float) -> None:
    x = np.array(values)
    mean, low, high = mean_interval(x.sum(), x.size, (x**2).sum(), confidence=confidence)
    half = stats.t.ppf((1 + confidence) / 2, x.size - 1) * stats.sem(x)
    assert mean == pytest.approx(x.mean())
    if np.isnan(low):  # nothing varies, or so little that floating point cannot tell
        assert half == pytest.approx(0, abs=1e-3)
    else:
        assert (low, high) == pytest.approx((x.mean() - half, x.mean() + half), abs=1e-4)


@given(costs)
def test_one_unit_a_cluster_is_the_plain_interval(values: list[float]) -> None:
    x = np.array(values)
    plain = mean_interval(x.sum(), x.size, (x**2).sum())
    clustered = mean_interval(x.sum(), x.size, (x**2).sum(), x.size, x.sum(), x.size)
    assert np.array_equal(plain, clustered, equal_nan=True)


def test_clusters_widen_the_interval_by_their_own_variation() -> None:
    # Three patients: canals cost 10 10 / 20 20 20 / 30. By hand: N = 6, mean = 110/6, residuals y_c - n_c mean.
    y, n = np.array([20.0, 60.0, 30.0]), np.array([2, 3, 1])
    mean, low, high = mean_interval(110, 6, (y**2).sum(), 3, (y * n).sum(), (n**2).sum())
    residuals = y - n * 110 / 6
    half = stats.t.ppf(0.975, 2) * np.sqrt(3 / 2 * (residuals**2).sum()) / 6
    assert (mean, low, high) == pytest.approx((110 / 6, 110 / 6 - half, 110 / 6 + half))


def test_nothing_and_one_value() -> None:
    mean, low, high = mean_interval([0, 5], [0, 1], [0, 25])
    assert np.isnan(mean[0]) and mean[1] == 5
    assert np.isnan(low).all() and np.isnan(high).all()


def test_equal_amounts_do_not_tell_how_they_can_differ() -> None:
    mean, low, high = mean_interval(0.3 * 7, 7, 0.09 * 7)
    assert mean == pytest.approx(0.3) and np.isnan(low) and np.isnan(high)


def test_half_of_the_cluster_sums_is_refused() -> None:
    with pytest.raises(ValueError, match="clustered"):
        mean_interval(1, 1, 1, clusters=1)
