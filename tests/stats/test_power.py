"""Power: statsmodels as oracle, simulation, and what can never be shown."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import false_discovery_control, norm
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import power_proportions_2indep

from pipeline.stats.power import (
    benjamini_hochberg,
    bonferroni,
    holm,
    power_two_proportions,
    sample_size,
    smallest_difference,
)

share = st.floats(0.02, 0.98)
size = st.integers(5, 2000)
p_values = st.lists(st.floats(0, 1), max_size=30)


@given(share, share, size, st.floats(0.2, 5))
def test_power_agrees_with_statsmodels(p1: float, p2: float, n1: int, ratio: float) -> None:
    oracle = power_proportions_2indep(p2 - p1, p1, n1, ratio, alpha=0.05, return_results=False)
    # The oracle also counts a significant result in the wrong direction; we (and R by default) do not call that power.
    n2 = n1 * ratio
    pooled = (p2 * n1 + p1 * n2) / (n1 + n2)
    null = np.sqrt(pooled * (1 - pooled) * (1 / n1 + 1 / n2))
    spread = np.sqrt(p2 * (1 - p2) / n1 + p1 * (1 - p1) / n2)
    wrong_direction = norm.cdf((-abs(p1 - p2) - norm.ppf(0.975) * null) / spread)
    assert power_two_proportions(p2, p1, n1, n2) + wrong_direction == pytest.approx(oracle, abs=1e-9)


@given(share, share, st.floats(0.3, 0.95))
def test_the_sample_size_has_the_power(p1: float, p2: float, power: float) -> None:
    if abs(p1 - p2) < 0.01:
        return
    n = sample_size(p1, p2, power)
    assert power_two_proportions(p1, p2, n) == pytest.approx(power, abs=1e-9)


def test_power_is_what_simulation_finds() -> None:
    rng = np.random.default_rng(9)
    n1, n2, p1, p2 = 120, 80, 0.9, 0.75
    a, b = rng.binomial(n1, p1, 20_000) / n1, rng.binomial(n2, p2, 20_000) / n2
    pooled = (a * n1 + b * n2) / (n1 + n2)
    z = (a - b) / np.sqrt(pooled * (1 - pooled) * (1 / n1 + 1 / n2))
    assert power_two_proportions(p1, p2, n1, n2) == pytest.approx(np.mean(np.abs(z) > 1.96), abs=0.03)


@given(size, size, share)
def test_the_smallest_difference_is_where_the_power_is_reached(n1: int, n2: int, p: float) -> None:
    rise = smallest_difference(n1, n2, p, direction="rise")
    fall = smallest_difference(n1, n2, p, direction="fall")
    for found, end, sign in ((rise, 1.0, 1), (fall, 0.0, -1)):
        if found is None:
            assert power_two_proportions(end, p, n1, n2) < 0.8
        else:
            assert power_two_proportions(min(max(p + sign * found, 0), 1), p, n1, n2) == pytest.approx(0.8, abs=1e-6)
    known = [d for d in (rise, fall) if d is not None]
    assert smallest_difference(n1, n2, p) == (max(known) if known else None)


def test_what_can_never_be_shown() -> None:
    assert smallest_difference(2, 2, 0.5) is None
    assert smallest_difference(0, 100, 0.5) is None
    assert smallest_difference(30, 30, 1.0, direction="rise") is None
    assert smallest_difference(100, 100, 1.0) == smallest_difference(100, 100, 1.0, direction="fall") > 0
    assert smallest_difference(400, 400, 0.9) < smallest_difference(100, 100, 0.9)
    assert power_two_proportions(0, 1, 10) == 1.0
    assert power_two_proportions(0.5, 0.5, 10) < 0.05
    assert power_two_proportions(0, 0, 10) == 0.0


@given(p_values)
def test_adjusted_p_values_agree_with_scipy(p: list[float]) -> None:
    if not p:
        assert benjamini_hochberg(p).size == holm(p).size == bonferroni(p).size == 0
        return
    np.testing.assert_allclose(benjamini_hochberg(p), false_discovery_control(p), atol=1e-12)
    with_gaps = benjamini_hochberg([np.nan, *p, np.nan])
    assert np.isnan(with_gaps[[0, -1]]).all()
    np.testing.assert_allclose(with_gaps[1:-1], benjamini_hochberg(p))
    # Each method forgives less than the one before.
    assert (np.array(p) <= benjamini_hochberg(p) + 1e-15).all()
    assert (benjamini_hochberg(p) <= holm(p) + 1e-15).all()
    assert (holm(p) <= bonferroni(p)).all()


@pytest.mark.parametrize("seed", range(4))
def test_stepwise_p_values_agree_with_statsmodels(seed: int) -> None:
    p = np.random.default_rng(seed).uniform(0, 0.2, 12).round(2)  # rounded: with ties
    np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1], atol=1e-12)
    np.testing.assert_allclose(bonferroni(p), multipletests(p, method="bonferroni")[1], atol=1e-12)


def test_wrong_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="p-values"):
        holm([1.2])
    with pytest.raises(ValueError, match="shares"):
        power_two_proportions(1.1, 0.5, 10)
    with pytest.raises(ValueError, match="units"):
        power_two_proportions(0.1, 0.5, 0)
    with pytest.raises(ValueError, match="difference of nothing"):
        sample_size(0.5, 0.5)
    with pytest.raises(ValueError, match="direction"):
        smallest_difference(10, 10, 0.5, direction="up")
