"""Clusters: GEE by statsmodels and by what was put in."""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.genmod.cov_struct import Exchangeable
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_estimating_equations import GEE
from statsmodels.genmod.generalized_linear_model import GLM

from pipeline.stats.clustering import FEW_CLUSTERS, _Clusters, gee_logistic


def teeth(patients: int, slope: float, spread: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Outcome, exposure (between 0 and 1) and patient of teeth, 1 to 4 a patient."""
    rng = np.random.default_rng(seed)
    patient = np.repeat(np.arange(patients), rng.integers(1, 5, patients))
    exposed = rng.integers(0, 2, patient.size)
    logit = 0.4 + slope * exposed + rng.normal(0, spread, patients)[patient]
    return (rng.random(patient.size) < 1 / (1 + np.exp(-logit))).astype(float), exposed, patient


def test_gee_of_single_teeth_is_logistic_regression() -> None:
    y, exposed, _ = teeth(600, 0.7, 0, 4)
    found = gee_logistic(y, exposed, np.arange(y.size), ["exposed"])
    oracle = GLM(y, np.column_stack([np.ones(y.size), exposed]), family=Binomial()).fit(cov_type="HC0")
    assert found.coefficient == pytest.approx(oracle.params, abs=1e-6)
    assert found.se == pytest.approx(oracle.bse, rel=1e-3)
    assert found.low[1] < found.odds_ratio[1] < found.high[1] and not found.few_clusters


def test_gee_finds_correlation_and_widens() -> None:
    y, exposed, patient = teeth(1500, 0.0, 1.5, 5)
    found = gee_logistic(y, exposed, patient, ["exposed"])
    assert found.alpha > 0.15 and (found.n, found.clusters) == (y.size, 1500)
    # Order of the rows does not matter.
    mixed = np.random.default_rng(0).permutation(y.size)
    again = gee_logistic(y[mixed], exposed[mixed], patient[mixed], ["exposed"])
    assert again.coefficient == pytest.approx(found.coefficient, abs=1e-6)


def test_gee_covers_what_was_put_in() -> None:
    covered = []
    for seed in range(60):
        y, exposed, patient = teeth(60, 0.0, 1.0, 100 + seed)
        found = gee_logistic(y, exposed, patient, ["exposed"])
        covered.append(found.low[1] <= 1 <= found.high[1])
    assert np.mean(covered) >= 0.86  # 0.95 less three standard errors of 60 draws


def test_few_patients_get_wider_errors() -> None:
    y, exposed, patient = teeth(20, 0.5, 0.5, 6)
    found = gee_logistic(y, exposed, patient, ["exposed"])
    assert found.few_clusters and found.clusters == 20 and found.se[1] > 0


@pytest.mark.parametrize(
    ("event", "terms", "cluster"),
    [
        ([1, 1, 1, 1], [0, 1, 0, 1], [1, 2, 3, 4]),  # the outcome never varies
        ([0, 1, 0, 1], [1, 1, 1, 1], [1, 2, 3, 4]),  # the term is the intercept
        ([0, 1, 0, 1], [0, 1, 1, 0], [1, 1, 2, 2]),  # as many clusters as terms
        ([0, 0, 0, 1, 1, 1] * 4, [0, 0, 0, 1, 1, 1] * 4, range(24)),  # the term parts events from the rest
        ([], [], []),
    ],
)
def test_what_cannot_be_fitted_is_not_estimable(event: list, terms: list, cluster: list) -> None:
    assert gee_logistic(event, terms, list(cluster), ["exposed"]) is None


def test_gee_refuses_what_does_not_fit_together() -> None:
    with pytest.raises(ValueError, match="each named term"):
        gee_logistic([0, 1], [0, 1], [1, 2], ["a", "b"])
    with pytest.raises(ValueError, match="each named term"):
        gee_logistic([0, 1], [0, np.nan], [1, 2], ["a"])


@settings(max_examples=40, deadline=None)
@given(st.integers(15, 120), st.integers(1, 5), st.sampled_from([0.0, 1.0, 2.0]), st.integers(0, 10_000))
def test_gee_agrees_with_statsmodels(patients: int, most: int, alike: float, seed: int) -> None:
    """Coefficients, both errors (few clusters: Mancl and DeRouen) and the correlation, wherever both settle."""
    rng = np.random.default_rng(seed)
    code = np.repeat(np.arange(patients), rng.integers(1, most + 1, patients))
    x = (rng.random((code.size, 2)) < 0.4).astype(float)
    patient = rng.normal(0, alike, patients)[code]
    y = (rng.random(code.size) < 1 / (1 + np.exp(-(0.5 + x @ [0.8, -0.5] + patient)))).astype(float)
    found = gee_logistic(y, x, code, ["exposed", "other"])
    if found is None or found.alpha == 0:  # no model, or one of single teeth (its own test)
        return
    few = patients < FEW_CLUSTERS
    model = GEE(y, np.column_stack([np.ones(y.size), x]), code, family=Binomial(), cov_struct=Exchangeable())
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        fitted = model.fit(maxiter=200, ctol=1e-9, cov_type="bias_reduced" if few else "robust")
    if fitted.converged:
        assert found.coefficient == pytest.approx(fitted.params, abs=1e-6)
        assert found.se == pytest.approx(fitted.bse, rel=1e-5)
        assert found.alpha == pytest.approx(model.cov_struct.dep_params, abs=1e-6)


@pytest.mark.parametrize("patients", [20, 300])
def test_patients_of_one_kind_count_as_often_as_they_come(patients: int) -> None:
    """Against a fit in which no two patients are of one kind, as a term tells all apart by next to nothing."""
    y, exposed, patient = teeth(patients, 0.6, 1.0, 8)
    size = np.bincount(patient)[patient]
    terms = np.column_stack([exposed, size > 2])
    kinds = _Clusters.of(y, np.column_stack([np.ones(y.size), terms]).astype(float), patient)
    assert kinds.many.sum() == patients and kinds.many @ kinds.size == y.size
    assert kinds.many.size < patients * (0.8 if patients == 20 else 0.2)
    found = gee_logistic(y, terms, patient, ["exposed", "many"])
    apart = terms + 1e-13 * np.arange(y.size)[:, None]
    one_by_one = gee_logistic(y, apart, patient, ["exposed", "many"])
    assert found is not None and one_by_one is not None
    for name in ("coefficient", "se", "p", "alpha"):
        assert getattr(found, name) == pytest.approx(getattr(one_by_one, name), rel=1e-9, abs=1e-10)


def test_half_a_million_single_units_are_a_few_kinds_and_say_what_statsmodels_says() -> None:
    rng = np.random.default_rng(9)
    patient, terms = rng.integers(0, 250_000, 500_000), rng.integers(0, 2, (500_000, 5))
    y = (rng.random(500_000) < 0.5 + 0.1 * terms[:, 0]).astype(float)
    kinds = _Clusters.of(y, np.column_stack([np.ones(y.size), terms]).astype(float), np.unique(patient, False, True)[1])
    assert kinds.many.size < 100_000 and kinds.unlike.shape == (64, 6)
    with_one_each = gee_logistic(y, terms, np.arange(y.size), list("abcde"))
    oracle = GLM(y, np.column_stack([np.ones(y.size), terms]), family=Binomial()).fit(cov_type="HC0")
    assert with_one_each is not None
    assert with_one_each.coefficient == pytest.approx(oracle.params, abs=1e-9)
    assert with_one_each.se == pytest.approx(oracle.bse, rel=1e-9)
