"""Funnel limits: counts by SciPy, and the spread between units that was put in."""

import numpy as np
import pytest
from scipy.stats import binom

from pipeline.stats.funnel import additive_limits, binomial_steps, overdispersion


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
    assert (limits[0, 3] - limits[0, 0]) > (binomial_steps(0.3, 200)[0, 3] - binomial_steps(0.3, 200)[0, 0])


def test_overdispersion_of_nothing_or_of_no_variation() -> None:
    assert overdispersion([], []).target is None
    assert overdispersion([0, 0], [10, 0]).phi is None and overdispersion([0], [10]).target == 0
    one = overdispersion([3], [10])
    assert (one.target, one.tau2, one.usable) == (0.3, 0, False)
    assert overdispersion([1] * 10, [4] * 10).usable


def test_no_units_have_no_limits() -> None:
    assert np.isnan(additive_limits(0.2, 0, 0.01)).all()


def test_quantiles_of_counts_are_those_of_scipy() -> None:
    p, n = np.array([0.001, 0.025, 0.4, 0.975, 0.999]), np.arange(1, 400)[:, None]
    for target in (0.0, 0.004, 0.03, 0.5, 0.92, 1.0):
        assert np.allclose(binomial_steps(target, n, p) * n, binom.ppf(p, n, target), atol=1e-9)
