"""Newton's steps: statsmodels as oracle, the slope of the penalised likelihood, and outcomes that never vary."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from statsmodels.genmod.families import Binomial, Poisson
from statsmodels.genmod.generalized_linear_model import GLM

from pipeline.stats import newton


def drawn(seed: int, link: newton.Link) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(200), rng.random((200, 3)) < 0.4]).astype(float)
    usual = newton.mean(x @ rng.normal(0, 0.7, 4), link)
    return x, (rng.random(200) < usual if link == "logistic" else rng.poisson(usual)).astype(float)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from(["logistic", "log"]))
def test_without_a_ridge_it_is_the_model_of_statsmodels(seed: int, link: newton.Link) -> None:
    x, y = drawn(seed, link)
    found = newton.fit(x, y, np.zeros(4), link)
    assume(float(np.abs(found.coefficient).max()) < 8)
    oracle = GLM(y, x, family=Binomial() if link == "logistic" else Poisson()).fit(tol=1e-13)
    assert found.coefficient == pytest.approx(oracle.params, abs=1e-9)
    assert np.linalg.inv(found.information) == pytest.approx(oracle.normalized_cov_params, rel=1e-6)


@given(st.integers(0, 10_000), st.sampled_from(["logistic", "log", "linear"]), st.sampled_from([1e-6, 0.16, 1.0]))
def test_a_ridge_holds_where_the_slope_is_0(seed: int, link: newton.Link, ridge: float) -> None:
    x, y = drawn(seed, "log" if link == "linear" else link)
    held = np.array([0.0, ridge, ridge, ridge])
    found = newton.fit(x, y, held, link)
    assume(float(np.abs(found.coefficient).max()) < 8)
    assert x.T @ (y - found.mean) - held * found.coefficient == pytest.approx(np.zeros(4), abs=1e-10)
    assert found.mean == pytest.approx(newton.mean(x @ found.coefficient, link), abs=1e-15)


def test_an_outcome_that_never_varies_runs_into_a_wall() -> None:
    x = np.column_stack([np.ones(20), np.arange(20) % 2]).astype(float)
    found = newton.fit(x, np.ones(20), np.array([0.0, 0.16]))
    assert np.isfinite(found.coefficient).all() and (found.mean > 1 - 1e-6).all()
