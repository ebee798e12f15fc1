"""Shrinkage: priors that were put in come out, and estimates lie between the unit and the whole."""

import math

import numpy as np
import pytest
from scipy.stats import nbinom

from pipeline.stats.shrinkage import (
    GammaPrior,
    beta_binomial,
    beta_prior,
    gamma_poisson,
    gamma_prior,
)


def test_the_gamma_prior_that_was_put_in_comes_out() -> None:
    rng = np.random.default_rng(10)
    exposure = rng.uniform(20, 200, 5000)
    prior = gamma_prior(rng.poisson(rng.gamma(2.5, 0.02, 5000) * exposure), exposure)
    assert (prior.shape, prior.scale) == pytest.approx((2.5, 0.02), rel=0.08)


def test_the_gamma_prior_is_the_likeliest() -> None:
    counts = np.random.default_rng(2).negative_binomial(1.4, 0.3, 300)
    prior = gamma_prior(counts)

    def loglik(shape: float, scale: float) -> float:
        return float(nbinom.logpmf(counts, shape, 1 / (1 + scale)).sum())

    best = loglik(prior.shape, prior.scale)
    for shape, scale in ((1.02, 1), (0.98, 1), (1, 1.02), (1, 0.98), (1.02, 0.98)):
        assert loglik(prior.shape * shape, prior.scale * scale) < best


def test_units_that_vary_no_more_than_chance_have_no_prior_of_their_own() -> None:
    alike = gamma_prior([2, 3, 2, 3, 2], [10, 10, 10, 10, 10])
    assert alike.shape == math.inf
    with pytest.raises(ValueError, match="pooled rate"):
        gamma_poisson([2], [10], alike)
    assert gamma_prior([0, 0]) is None and gamma_prior([], []) is None and gamma_prior([1], [0]) is None
    assert beta_prior([5, 5, 5], [10, 10, 10]) is None and beta_prior([5], [10]) is None
    assert beta_prior([0, 0], [10, 10]) is None


def test_rates_lie_between_the_unit_and_the_prior() -> None:
    prior = GammaPrior(2.0, 0.05)
    assert gamma_poisson([0, 1e6], [0, 1e9], prior) == pytest.approx([0.1, 1e-3], rel=1e-5)
    assert 0.1 < gamma_poisson([5], [20], prior)[0] < 0.25


def test_the_beta_prior_that_was_put_in_comes_out() -> None:
    rng = np.random.default_rng(13)
    n = rng.integers(10, 80, 6000)
    events = rng.binomial(n, rng.beta(6, 2, 6000))
    prior = beta_prior(events, n)
    assert (prior.a, prior.b) == pytest.approx((6, 2), rel=0.1)
    estimate = beta_binomial(events, n, prior)
    centre = prior.a / (prior.a + prior.b)
    assert (np.abs(estimate - centre) <= np.abs(events / n - centre) + 1e-12).all()
