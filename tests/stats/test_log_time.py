"""Ratios of times: against statsmodels' formulas and the t quantiles of SciPy, by hand, and by simulation."""

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from pipeline.stats.log_time import adjusted_ratios, median_ratio


def test_ratio_of_medians_by_hand() -> None:
    """Nine times each: the rank is round(5 - 3) = 2, P(at most 1 of 9) = 10/512, so z = 2.0619."""
    first = [10, 12, 14, 16, 20, 24, 28, 32, 40]
    second = [5, 6, 7, 8, 10, 12, 14, 16, 20]
    z = -stats.norm.ppf(10 / 512)
    half = 1.959964 * math.sqrt(2) * math.log(32 / 12) / (2 * z)
    found = median_ratio(first, second)
    assert found.ratio == pytest.approx(2)
    assert found.low == pytest.approx(2 * math.exp(-half), rel=1e-6)
    assert found.high == pytest.approx(2 * math.exp(half), rel=1e-6)


def test_ratio_of_medians_holds_the_truth_in_about_95_of_100() -> None:
    dice = np.random.default_rng(11)
    held = 0
    for _ in range(2000):
        found = median_ratio(1.45 * dice.lognormal(2, 0.36, 10), dice.lognormal(2, 0.36, 60))
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 1.45 <= found.high
    assert 0.93 <= held / 2000 <= 0.98, held


def test_few_times_have_a_ratio_and_no_limits() -> None:
    found = median_ratio([10, 20], [5, 5, 5, 5])
    assert (found.ratio, found.low, found.high) == (3, None, None)
    assert median_ratio([], [1.0]).ratio is None
    with pytest.raises(ValueError, match="above 0"):
        median_ratio([0, 1, 2], [1, 2, 3])


def made(n: int, seed: int) -> dict[str, np.ndarray]:
    """Times of three groups: the third gets hard cases (1.5 times as long) most often, and is not slower by itself."""
    dice = np.random.default_rng(seed)
    hard = dice.integers(0, 2, n)
    group = np.where(hard, dice.choice(3, n, p=(0.2, 0.2, 0.6)), dice.choice(3, n, p=(0.45, 0.45, 0.1)))
    patient = dice.integers(0, n // 3, n)
    canals = dice.integers(1, 5, n)
    own = dice.normal(0, 0.2, n)[patient]
    logs = 2.5 + np.log(1.5) * hard + np.log(0.8) * (group == 1) + 0.05 * canals + own + dice.normal(0, 0.3, n)
    return {"minutes": np.exp(logs), "group": group, "hard": hard, "canals": canals, "patient": patient}


def test_adjusted_ratios_are_those_of_statsmodels() -> None:
    data = made(400, 3)
    found = adjusted_ratios(data["minutes"], data["group"], 0, [data["hard"]], [data["canals"]], data["patient"])
    fit = smf.ols("np.log(minutes) ~ C(group) + C(hard) + canals", pd.DataFrame(data)).fit(
        cov_type="cluster", cov_kwds={"groups": data["patient"]}, use_t=True
    )
    for level in (1, 2):
        name = f"C(group)[T.{level}]"
        assert found.adjusted[level].ratio == pytest.approx(math.exp(fit.params[name]), rel=1e-9)
        low, high = np.exp(fit.conf_int().loc[name])
        assert found.adjusted[level].low == pytest.approx(low, rel=1e-9)
        assert found.adjusted[level].high == pytest.approx(high, rel=1e-9)
    logs = np.log(data["minutes"])
    crude = math.exp(logs[data["group"] == 2].mean() - logs[data["group"] == 0].mean())
    assert found.crude[2].ratio == pytest.approx(crude)
    assert found.clusters == len(np.unique(data["patient"]))


def test_case_mix_explains_what_it_explains_and_no_more() -> None:
    crude, adjusted, held = [], [], []
    for seed in range(200):
        data = made(300, seed)
        found = adjusted_ratios(data["minutes"], data["group"], 0, [data["hard"]], [data["canals"]], data["patient"])
        crude.append(found.crude[2].ratio)
        adjusted.append(found.adjusted[2].ratio)
        low, high = found.adjusted[2].low, found.adjusted[2].high
        assert low is not None
        assert high is not None
        held.append(low <= 1 <= high)
    assert np.mean(crude) > 1.15, "hard cases make the third group look slow"
    assert np.mean(adjusted) == pytest.approx(1, abs=0.02)
    assert 0.91 <= np.mean(held) <= 0.985


def test_what_the_case_mix_cannot_be_told_from_is_not_estimable() -> None:
    data = made(60, 5)
    found = adjusted_ratios(data["minutes"], data["hard"], 0, [data["hard"]], [], data["patient"])
    assert found.adjusted[1].ratio is None
    assert found.crude[1].ratio is not None
    alone = adjusted_ratios(data["minutes"], data["group"], 0, [data["hard"]], [], np.zeros(60, dtype=int))
    assert alone.adjusted[1].ratio is None
    constant = adjusted_ratios(data["minutes"], data["group"], 0, [np.ones(60)], [np.full(60, 2.0)], data["patient"])
    assert constant.adjusted[1].ratio == pytest.approx(constant.crude[1].ratio)
