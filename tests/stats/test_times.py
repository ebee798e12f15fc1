"""Times: ranks, quantiles and the shift against SciPy, NumPy and plain lists of differences."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, mannwhitneyu

from pipeline.stats import times
from pipeline.stats.times import hodges_lehmann, median_coverage, median_ranks, quantile, summary

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
        assert confidence <= median_coverage(n, confidence) <= 1


def test_no_interval_below_six_values() -> None:
    assert [median_ranks(n) for n in range(7)] == [None] * 6 + [(1, 6)]
    assert median_coverage(5) is None
    few = summary([5, 1, 4, 2, 3])
    assert (few.n, few.median, few.low, few.high) == (5, 3, None, None)
    six = summary([6, 1, 5, 2, 4, 3])
    assert (six.low, six.high) == (1, 6)


@given(minutes)
def test_summary_is_numpys(values: list[float]) -> None:
    found = summary(values)
    assert found.n == len(values)
    if not values:
        assert (found.q1, found.median, found.q3, found.p90, found.iqr) == (None,) * 5
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
    assert covered == pytest.approx(median_coverage(20), abs=3 * np.sqrt(0.04 * 0.96 / 4000))


def test_a_missing_value_is_refused() -> None:
    with pytest.raises(ValueError, match="missing"):
        summary([1, np.nan])
    with pytest.raises(ValueError, match="6 or 7"):
        quantile([1, 2], 0.5, kind=8)
    assert quantile([], 0.5) is None


@given(minutes, minutes)
def test_shift_is_the_median_of_all_differences(a: list[float], b: list[float]) -> None:
    found = hodges_lehmann(a, b)
    if not a or not b:
        assert (found.shift, found.low, found.high, found.rank) == (None, None, None, 0)
        return
    differences = np.sort(np.subtract.outer(b, a).ravel())
    assert found.shift == pytest.approx(np.median(differences))
    if found.rank:
        assert (found.low, found.high) == (differences[found.rank - 1], differences[-found.rank])
        assert found.low <= found.shift <= found.high


@pytest.mark.parametrize(("m", "n"), [(1, 1), (3, 4), (5, 5), (8, 6), (10, 10), (17, 9)])
def test_exact_ranks_are_those_of_the_mann_whitney_test(m: int, n: int) -> None:
    k = times._shift_rank(m, n, 0.95)

    def one_sided(u: int) -> float:
        """P(U <= u), from SciPy's exact test on a sample made to have that count."""
        for cut in np.linspace(-1, m + 1, 4 * m + 9):  # slide one sample over the other until U is right
            a, b = np.arange(m, dtype=float), cut + np.linspace(0, 1e-6, n)
            test = mannwhitneyu(a, b, alternative="less", method="exact")
            if test.statistic == u:
                return float(test.pvalue)
        return float("nan")

    distribution = np.cumsum(times._mann_whitney(m, n))
    assert distribution[-1] == pytest.approx(1)
    for u in range(0, m * n, n):  # the counts that the sliding sample can have
        assert distribution[u] == pytest.approx(one_sided(u), abs=1e-12)
    assert k == 0 or distribution[k - 1] <= 0.025
    assert distribution[k] > 0.025


def test_many_differences_are_searched_and_not_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    a, b = rng.lognormal(3, 1, 300), rng.lognormal(3.2, 1, 200).round(1)
    listed = hodges_lehmann(a, b)
    monkeypatch.setattr(times, "PAIRS_AT_ONCE", 0)
    searched = hodges_lehmann(a, b)
    assert (searched.shift, searched.low, searched.high) == pytest.approx((listed.shift, listed.low, listed.high))
    assert searched.rank == listed.rank > 0


def test_normal_ranks_are_close_to_exact_ones_where_they_take_over() -> None:
    exact = times._shift_rank(50, 50, 0.95)
    spread = np.sqrt(50 * 50 * 101 / 12)
    assert exact == pytest.approx(50 * 50 / 2 - 1.959964 * spread, abs=1.5)
