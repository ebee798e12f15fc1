"""Rates: chi-square quantiles and statsmodels as oracles, and the edges."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, chi2
from statsmodels.stats.rates import confint_poisson

from pipeline.stats.rates import garwood, rate_ratio_exact

events = st.integers(0, 400)
exposures = st.floats(0.01, 1e6)


@given(events, exposures, st.sampled_from([0.9, 0.95, 0.998]))
def test_garwood_agrees_with_the_chi_square_quantiles(k: int, t: float, confidence: float) -> None:
    low, high = garwood(k, t, confidence)
    a = (1 - confidence) / 2
    assert low == pytest.approx(chi2.ppf(a, 2 * k) / 2 / t if k else 0, rel=1e-9)
    assert high == pytest.approx(chi2.ppf(1 - a, 2 * k + 2) / 2 / t, rel=1e-9)
    assert low <= k / t <= high


def test_garwood_agrees_with_statsmodels_where_it_is_defined() -> None:
    k = np.arange(1, 50)
    np.testing.assert_allclose(garwood(k, 7.0), confint_poisson(k, 7.0, method="exact-c"), rtol=1e-9)


def test_no_events_still_have_an_upper_limit_and_no_exposure_has_none() -> None:
    low, high = garwood([0, 0], [1000, 0])
    assert low[0] == 0 and high[0] == pytest.approx(3.688879 / 1000, rel=1e-6)
    assert np.isnan(low[1]) and np.isnan(high[1])
    with pytest.raises(ValueError, match="not negative"):
        garwood(-1, 10)


@given(st.integers(0, 60), st.floats(1, 1000), st.integers(0, 60), st.floats(1, 1000))
def test_exact_ratio_is_the_binomial_share_turned_round(x1: int, t1: float, x2: int, t2: float) -> None:
    found = rate_ratio_exact(x1, t1, x2, t2)
    if x1 + x2 == 0:
        assert (found.ratio, found.low, found.high, found.p) == (None, None, None, None)
        return
    oracle = binomtest(x1, x1 + x2, t1 / (t1 + t2))
    share = oracle.proportion_ci(method="exact")
    assert found.p == pytest.approx(oracle.pvalue)
    assert found.low == pytest.approx(share.low / (1 - share.low) * t2 / t1, rel=1e-6)
    if x2 == 0:
        assert found.ratio is None and found.high is None
    else:
        assert found.ratio == pytest.approx(x1 / t1 / (x2 / t2))
        assert found.high == pytest.approx(share.high / (1 - share.high) * t2 / t1, rel=1e-6)
        assert found.low <= found.ratio <= found.high


def test_exposures_of_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="exposures are positive"):
        rate_ratio_exact(1, 0, 1, 1)
