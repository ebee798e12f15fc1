"""Limits in whole events: what lies beyond them is as rare as they say, however few events are expected."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from pipeline.stats import funnel


@given(target=st.floats(0.001, 0.999), n=st.integers(1, 3000))
def test_beyond_a_limit_is_as_rare_as_it_says(target: float, n: int) -> None:
    low_998, low_95, high_95, high_998 = np.round(funnel.binomial_steps(target, n)[0] * n)
    for high, p in ((high_95, 0.025), (high_998, 0.001)):
        assert binom.sf(high, n, target) <= p + 1e-9  # more events than the limit
        assert high == 0 or binom.sf(high - 1, n, target) > p - 1e-9  # the limit itself is not so rare
    for low, p in ((low_95, 0.025), (low_998, 0.001)):
        assert low == 0 or binom.cdf(low - 1, n, target) < p + 1e-9
        assert binom.cdf(low, n, target) >= p - 1e-9


def test_two_events_where_less_than_one_is_expected_are_no_signal() -> None:
    """131 uses at 4.718 per 1,000: two or more have a chance of 12 % (binomial, SciPy), so they are not beyond 95 %."""
    assert binom.sf(1, 131, 0.004718) == pytest.approx(0.127, abs=0.001)
    assert funnel.binomial_steps(0.004718, 131)[0, 2] >= 2 / 131


def test_edges() -> None:
    assert funnel.binomial_steps(0.0, [10])[0].tolist() == [0, 0, 0, 0]
    assert funnel.binomial_steps(1.0, [10])[0].tolist() == [1, 1, 1, 1]
    assert np.isnan(funnel.binomial_steps(0.5, [0])).all()
    with pytest.raises(ValueError, match="between 0 and 1"):
        funnel.binomial_steps(1.5, [10])
