"""Shares: SciPy and statsmodels as oracles, the edges, and what clusters do."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from pipeline.stats.proportions import (
    clopper_pearson,
    clustered_wilson,
    design_effect,
    newcombe_difference,
    wilson,
)

shares = st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
levels = st.sampled_from([0.8, 0.9, 0.95, 0.99, 0.998])


@given(shares, levels)
def test_wilson_agrees_with_statsmodels(share: tuple[int, int], confidence: float) -> None:
    low, high = wilson(*share, confidence)
    assert (low, high) == pytest.approx(proportion_confint(*share, 1 - confidence, method="wilson"), abs=1e-12)


@given(shares, levels)
def test_clopper_pearson_agrees_with_the_beta_quantiles(share: tuple[int, int], confidence: float) -> None:
    (x, n), a = share, (1 - confidence) / 2
    low, high = clopper_pearson(x, n, confidence)
    assert low == pytest.approx(0 if x == 0 else beta.ppf(a, x, n - x + 1), abs=1e-10)
    assert high == pytest.approx(1 if x == n else beta.ppf(1 - a, x + 1, n - x), abs=1e-10)


@given(shares)
def test_bounds_hold_the_share_and_the_exact_one_is_wider_at_the_edges(share: tuple[int, int]) -> None:
    x, n = share
    for interval in (wilson, clopper_pearson):
        low, high = interval(x, n)
        assert 0 <= low <= x / n <= high <= 1
        assert (low == 0) == (x == 0) and (high == 1) == (x == n)
        mirrored = interval(n - x, n)
        np.testing.assert_allclose((1 - mirrored[1], 1 - mirrored[0]), (low, high), atol=1e-12)


def test_bounds_are_exactly_0_and_1_and_unknown_without_units() -> None:
    low, high = wilson([0, 7, 0, np.nan], [7, 7, 0, 5])
    assert low[0] == 0.0 and str(low[0]) == "0.0"  # not -0.0 and not -1e-17
    assert high[1] == 1.0
    assert np.isnan([low[2], high[2], low[3], high[3]]).all()
    low, high = clopper_pearson([0, 7, 0], [7, 7, 0])
    assert low[0] == 0.0 and high[1] == 1.0 and np.isnan(low[2]) and np.isnan(high[2])


@pytest.mark.parametrize(("x", "n"), [(-1, 5), (6, 5)])
def test_impossible_counts_are_refused(x: int, n: int) -> None:
    with pytest.raises(ValueError, match="between 0 and n"):
        wilson(x, n)


@pytest.mark.parametrize("confidence", [0, 1, 95, -0.1])
def test_confidence_is_a_share(confidence: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        wilson(1, 5, confidence)


@given(shares, shares)
def test_newcombe_agrees_with_statsmodels(first: tuple[int, int], second: tuple[int, int]) -> None:
    difference, low, high = newcombe_difference(*first, *second)
    assert (low, high) == pytest.approx(
        confint_proportions_2indep(*first, *second, method="newcomb", compare="diff"), abs=1e-10
    )
    assert -1 <= low <= difference <= high <= 1
    back = newcombe_difference(*second, *first)
    assert (-back[0], -back[2], -back[1]) == pytest.approx((difference, low, high), abs=1e-12)


def test_newcombe_without_units_in_one_group() -> None:
    assert np.isnan(newcombe_difference(3, 10, 0, 0)).all()


clusters = st.lists(
    st.integers(1, 6).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1, max_size=40
)


def sums(pairs: list[tuple[int, int]]) -> tuple[float, ...]:
    """What SQL hands over: y, n, clusters, sum y^2, sum y n, sum n^2."""
    y, n = np.array(pairs).T
    return y.sum(), n.sum(), len(pairs), (y**2).sum(), (y * n).sum(), (n**2).sum()


@given(clusters)
def test_design_effect_from_sums_is_the_one_from_clusters(pairs: list[tuple[int, int]]) -> None:
    y, n = (np.array(v, dtype=float) for v in zip(*pairs, strict=True))
    d = design_effect(*sums(pairs))
    total, size, m = y.sum(), n.sum(), len(pairs)
    p = total / size
    if m < 2 or p in (0, 1) or (n == 1).all():
        assert d == 1
        return
    v = m / (m - 1) * ((y - n * p) ** 2).sum() / size**2
    assert d == pytest.approx(max(size * v / (p * (1 - p)), 1), rel=1e-9)
    low, high = clustered_wilson(*sums(pairs))
    plain = wilson(total, size)
    assert low <= plain[0] + 1e-12 and high >= plain[1] - 1e-12  # never narrower


@given(st.lists(st.integers(0, 1), min_size=1, max_size=60))
def test_one_unit_a_cluster_is_the_simple_interval(events: list[int]) -> None:
    group = sums([(e, 1) for e in events])
    assert clustered_wilson(*group) == wilson(group[0], group[1])


def test_identical_units_in_each_cluster_count_once() -> None:
    # 40 patients with 5 teeth each, all of a patient's teeth alike: 40 units' worth of knowledge, apart from m/(m-1).
    pairs = [(5, 5)] * 16 + [(0, 5)] * 24
    assert design_effect(*sums(pairs)) == pytest.approx(5 * 40 / 39)


def test_groups_are_answered_at_once() -> None:
    groups = [[(1, 2), (0, 3), (2, 2)], [(0, 2), (0, 1)], [(1, 4)]]
    together = clustered_wilson(*(np.array(column) for column in zip(*map(sums, groups), strict=True)))
    for k, pairs in enumerate(groups):
        assert (together[0][k], together[1][k]) == tuple(clustered_wilson(*sums(pairs)))


def test_clustered_interval_covers_where_the_plain_one_does_not() -> None:
    # 2,000 samples of 60 patients with 1 to 5 teeth; the chance of healing varies strongly between patients.
    rng = np.random.default_rng(20261124)
    reps, m, truth = 2000, 60, 2 / 3
    size = rng.integers(1, 6, (reps, m))
    events = rng.binomial(size, rng.beta(2, 1, (reps, m)))
    total, n = events.sum(1), size.sum(1)
    low, high = clustered_wilson(total, n, m, (events**2).sum(1), (events * size).sum(1), (size**2).sum(1))
    plain_low, plain_high = wilson(total, n)
    assert 0.93 <= np.mean((low <= truth) & (truth <= high)) <= 0.975
    assert np.mean((plain_low <= truth) & (truth <= plain_high)) < 0.90
