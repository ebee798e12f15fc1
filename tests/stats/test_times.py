"""Times: ranks and quantiles against SciPy and NumPy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from pipeline.stats.times import median_ranks, summary

minutes = st.lists(st.floats(0, 500), max_size=40)


@given(st.integers(1, 3000), st.sampled_from([0.9, 0.95, 0.99]))
def test_ranks_are_the_narrowest_that_keep_the_confidence(n: int, confidence: float) -> None:
    found = median_ranks(n, confidence)
    k = 0  # largest k with P(Binomial(n, 1/2) <= k - 1) at most the tail
    tail = (1 - confidence) / 2
    candidates = np.flatnonzero(binom.cdf(np.arange(n // 2 + 1) - 1, n, 0.5) <= tail)
    k = int(candidates[-1])
    assert found == ((k, n + 1 - k) if k else None)
    if found:
        assert confidence <= 1 - 2 * binom.cdf(k - 1, n, 0.5) <= 1


def test_no_interval_below_six_values() -> None:
    assert [median_ranks(n) for n in range(7)] == [None] * 6 + [(1, 6)]
    few = summary([5, 1, 4, 2, 3])
    assert (few.n, few.median, few.low, few.high) == (5, 3, None, None)
    six = summary([6, 1, 5, 2, 4, 3])
    assert (six.low, six.high) == (1, 6)


@given(minutes)
def test_summary_is_numpys(values: list[float]) -> None:
    found = summary(values)
    assert found.n == len(values)
    if not values:
        assert (found.q1, found.median, found.q3, found.p90) == (None,) * 4
        return
    assert (found.q1, found.median, found.q3, found.p90) == pytest.approx(np.quantile(values, [0.25, 0.5, 0.75, 0.9]))
    if found.low is not None:
        assert found.low in values and found.high in values
        assert found.low <= found.median <= found.high


def test_the_interval_covers_the_median_as_often_as_it_says() -> None:
    # 4,000 samples of 20 skewed times with a known median; ranks 6 and 15 cover it in 95.86 %.
    rng = np.random.default_rng(4)
    samples = rng.lognormal(np.log(45), 0.6, (4000, 20))
    intervals = [summary(s) for s in samples]
    covered = np.mean([s.low <= 45 <= s.high for s in intervals])
    assert covered == pytest.approx(1 - 2 * binom.cdf(5, 20, 0.5), abs=3 * np.sqrt(0.04 * 0.96 / 4000))


def test_a_missing_value_is_refused() -> None:
    with pytest.raises(ValueError, match="missing"):
        summary([1, np.nan])
