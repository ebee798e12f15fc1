"""A practice in which few patients have a second tooth: their correlation cannot be told, the odds ratio can.

Found by the simulated practices: of 600 comparisons 106 had no odds ratio, for the correlation is estimated as a sum
over pairs of teeth divided by their number less the number of terms, which is nearly nothing where pairs are few.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from pipeline.stats.clustering import gee_logistic

NAMES = ["side", "a", "b", "c", "d"]


def test_the_odds_ratio_stands_where_the_correlation_cannot_be_told() -> None:
    """Oracle: statsmodels' logistic regression with errors by cluster (the sandwich, no correction for few)."""
    rng = np.random.default_rng(4)
    patient = np.concatenate([np.arange(180), np.arange(7)])  # 7 pairs of teeth and 6 terms
    terms = rng.random((187, 5)) < 0.5
    event = rng.random(187) < 0.6
    terms[:7], event[:7] = terms[180:], event[180:]  # the pairs are alike in everything
    found = gee_logistic(event, terms, patient, NAMES)
    assert found is not None
    assert found.alpha == 0
    oracle = sm.Logit(event.astype(float), sm.add_constant(terms.astype(float))).fit(
        disp=False, cov_type="cluster", cov_kwds={"groups": patient, "use_correction": False}
    )
    assert found.coefficient == pytest.approx(oracle.params, abs=1e-6)
    assert found.se == pytest.approx(oracle.bse, abs=1e-6)


def test_where_it_can_be_told_it_is() -> None:
    rng = np.random.default_rng(4)
    patient = np.repeat(np.arange(120), 2)
    event = np.repeat(rng.random(120) < 0.6, 2) ^ (rng.random(240) < 0.1)
    found = gee_logistic(event, rng.random((240, 5)) < 0.5, patient, NAMES)
    assert found is not None
    assert 0.4 < found.alpha < 0.9
