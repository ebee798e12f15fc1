"""The model of what is usual: its penalised fit, how far off it may be, and how alike cases of one patient are."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.optimize import minimize

from pipeline.stats.risk_model import PAIRS_WORTH, USUAL_LIKENESS, fitted, likeness, mean


def cases(seed: int, n: int = 300) -> tuple[Any, Any]:
    rng = np.random.default_rng(seed)
    x = rng.integers(0, 2, (n, 3)).astype(float)
    return x, rng.random(n) < 1 / (1 + np.exp(1 - x @ [1.0, -0.5, 0.0]))


def test_the_fit_is_the_minimum_of_the_penalised_likelihood() -> None:
    """Oracle: SciPy's minimiser on the same function."""
    x, y = cases(2, 200)

    def loss(b: Any) -> float:
        eta = b[0] + x @ b[1:]
        return float(np.logaddexp(0, eta).sum() - eta[y].sum() + 0.5 * (b[1:] ** 2).sum())

    best = minimize(loss, np.zeros(4), tol=1e-12).x
    assert fitted(y, x).expected(x) == pytest.approx(mean("share", best[0] + x @ best[1:]), abs=1e-5)
    # A level in which nobody had the event keeps a risk above 0.
    y[x[:, 0] == 1] = False
    assert fitted(y, x).expected([[1.0, 0.0, 0.0]])[0] > 0.005


def test_without_a_penalty_it_is_the_usual_model_with_its_errors() -> None:
    """Oracle: statsmodels' logistic and Poisson regressions."""
    x, y = cases(3)
    ours, theirs = fitted(y, x, ridge=0), sm.Logit(y.astype(float), sm.add_constant(x)).fit(disp=False)
    assert ours.coefficient == pytest.approx(theirs.params, abs=1e-6)
    assert ours.covariance == pytest.approx(theirs.cov_params(), abs=1e-6)
    counts = np.random.default_rng(1).poisson(0.2 + 0.1 * x[:, 0])
    ours = fitted(counts, x, kind="rate", ridge=0)
    poisson = sm.Poisson(counts, sm.add_constant(x)).fit(disp=False)
    assert ours.coefficient == pytest.approx(poisson.params, abs=1e-5)
    assert ours.covariance == pytest.approx(poisson.cov_params(), abs=1e-5)


def test_draws_lie_about_the_estimate_as_far_as_it_is_open() -> None:
    x, y = cases(4)
    model = fitted(y, x)
    at = np.array([[0.0, 0, 0], [1, 1, 1]])
    drawn = model.drawn(at, 20_000, np.random.default_rng(1))
    log_odds = np.log(drawn / (1 - drawn))
    design = np.column_stack([np.ones(2), at])
    assert log_odds.mean(axis=0) == pytest.approx(design @ model.coefficient, abs=0.02)
    assert np.cov(log_odds.T) == pytest.approx(design @ model.covariance @ design.T, rel=0.05, abs=0.005)


def test_the_slope_is_that_of_what_is_expected() -> None:
    x, y = cases(5)
    for kind in ("share", "rate"):
        model = fitted(y, x, kind=kind)
        for j in range(4):
            b = model.coefficient.copy()
            b[j] += 1e-5
            moved = mean(kind, b[0] + x @ b[1:]).sum() - model.expected(x).sum()
            assert model.slope(x)[j] == pytest.approx(moved / 1e-5, rel=1e-3)


def test_cases_of_one_patient_that_are_alike_tell_less() -> None:
    rng = np.random.default_rng(6)
    patient = np.repeat(np.arange(400), 2)
    x = rng.integers(0, 2, (800, 1)).astype(float)
    alike = np.repeat(rng.random(400), 2) < 0.3
    apart = rng.random(800) < 0.3
    assert fitted(alike, x, patient).likeness == pytest.approx(0.9, abs=0.05)
    assert fitted(apart, x, patient).likeness == pytest.approx(0.0, abs=0.1)
    assert fitted(alike, x, patient).covariance[0, 0] > 1.3 * fitted(alike, x).covariance[0, 0]
    # Few pairs say little: the usual figure stands.
    few = likeness(np.ones(10), np.arange(10))
    assert few == pytest.approx(USUAL_LIKENESS)
    assert likeness([1, 1, -1], [1, 1, 2]) == pytest.approx((1 + PAIRS_WORTH * USUAL_LIKENESS) / (1 + PAIRS_WORTH))


def test_wrong_input_is_refused() -> None:
    for y in ([False] * 5, [True] * 5, []):
        with pytest.raises(ValueError, match="with and without"):
            fitted(y, np.ones((len(y), 1)))
