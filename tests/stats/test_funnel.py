"""Funnel limits: definition by the slow way, symmetry, and how many units they flag."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, poisson

from pipeline.stats.funnel import (
    additive_limits,
    binomial_limits,
    binomial_steps,
    overdispersion,
    poisson_limits,
    z_score,
)


@given(st.floats(0.01, 0.99), st.integers(1, 500), st.sampled_from([0.001, 0.025, 0.975, 0.999]))
def test_limits_are_interpolated_between_counts(target: float, n: int, p: float) -> None:
    r = next(k for k in range(n + 1) if binom.cdf(k, n, target) >= p)
    below = binom.cdf(r - 1, n, target)
    expected = (r - (binom.cdf(r, n, target) - p) / (binom.cdf(r, n, target) - below)) / n
    assert binomial_limits(target, n, p)[0, 0] == pytest.approx(max(expected, 0), abs=1e-9)


@given(st.floats(0.05, 300), st.sampled_from([0.001, 0.025, 0.975, 0.999]))
def test_poisson_limits_are_interpolated_between_counts(e: float, p: float) -> None:
    r = int(poisson.ppf(p, e))
    step = poisson.cdf(r, e) - poisson.cdf(r - 1, e)
    assert poisson_limits(e, p)[0, 0] == pytest.approx(max(r - (poisson.cdf(r, e) - p) / step, 0) / e, abs=1e-9)


def test_limits_narrow_with_size_and_nest() -> None:
    limits = binomial_limits(0.3, np.array([20, 50, 100, 400, 1600]))
    assert limits.shape == (5, 4)
    assert (np.diff(limits, axis=1) >= 0).all()
    assert (np.diff(limits[:, 3] - limits[:, 0]) < 0).all()
    assert (limits[:, 1] <= 0.3).all() and (limits[:, 2] >= 0.3).all()


def test_95_limits_flag_about_one_unit_in_twenty() -> None:
    rng = np.random.default_rng(7)
    n = rng.integers(30, 300, 20_000)
    share = rng.binomial(n, 0.2) / n
    limits = binomial_limits(0.2, n)
    assert np.mean((share < limits[:, 1]) | (share > limits[:, 2])) == pytest.approx(0.05, abs=0.015)
    assert np.mean((share < limits[:, 0]) | (share > limits[:, 3])) == pytest.approx(0.002, abs=0.0015)


def test_edges() -> None:
    assert np.isnan(binomial_limits(0.2, 0)).all() and np.isnan(poisson_limits(0)).all()
    assert (binomial_limits(0.0, 50) == 0).all() and (binomial_limits(1.0, 50) == 1).all()
    assert np.isnan(binomial_limits(0.0, 0)).all() and np.isnan(additive_limits(0.2, 0, 0.01)).all()
    with pytest.raises(ValueError, match="between 0 and 1"):
        binomial_limits(1.2, 10)


def test_overdispersion_finds_the_spread_that_was_put_in() -> None:
    rng = np.random.default_rng(12)
    n = rng.integers(100, 300, 4000)
    plain = overdispersion(rng.binomial(n, 0.3), n)
    assert plain.phi < 1 and plain.tau2 == pytest.approx(0, abs=1e-4)
    spread = overdispersion(rng.binomial(n, np.clip(rng.normal(0.3, 0.06, n.size), 0, 1)), n)
    assert spread.phi > 2
    # Winsorising takes some of the variance away, never all of it.
    assert 0.035 < np.sqrt(spread.tau2) < 0.06
    limits = additive_limits(0.3, [200, 1_000_000], spread.tau2)
    assert limits[1, 3] - limits[1, 0] > 0.2  # large units keep wide limits
    assert (limits[0, 3] - limits[0, 0]) > (binomial_limits(0.3, 200)[0, 3] - binomial_limits(0.3, 200)[0, 0])


def test_overdispersion_of_nothing_or_of_no_variation() -> None:
    assert overdispersion([], []).target is None
    assert overdispersion([0, 0], [10, 0]).phi is None and overdispersion([0], [10]).target == 0
    one = overdispersion([3], [10])
    assert (one.target, one.tau2, one.usable) == (0.3, 0, False)
    assert overdispersion([1] * 10, [4] * 10).usable


def test_z_score() -> None:
    assert z_score(0.3, 0.2, 100) == pytest.approx(0.1 / 0.04)
    assert z_score(0.3, 0.2, 100, tau2=0.0084) == pytest.approx(0.1 / 0.1)
    assert z_score(0.3, 0.2, 0) is None and z_score(1, 1, 10) is None


def test_quantiles_of_counts_are_those_of_scipy() -> None:
    p, n = np.array([0.001, 0.025, 0.4, 0.975, 0.999]), np.arange(1, 400)[:, None]
    for target in (0.0, 0.004, 0.03, 0.5, 0.92, 1.0):
        r = binom.ppf(p, n, target)
        assert np.allclose(binomial_steps(target, n, p) * n, r, atol=1e-9)
        if 0 < target < 1:
            at, below = binom.cdf(r, n, target), binom.cdf(r - 1, n, target)
            smooth = np.clip((r - (at - p) / (at - below)) / n, 0, 1)
            assert np.allclose(binomial_limits(target, n, p), smooth)
    e = np.array([0.02, 0.5, 1, 3.7, 42, 1000])[:, None]
    r = poisson.ppf(p, e)
    at, below = poisson.cdf(r, e), poisson.cdf(r - 1, e)
    assert np.allclose(poisson_limits(e, p), np.maximum(r - (at - p) / (at - below), 0) / e)
