"""Prediction limits against their definition by the binomial distribution, against statsmodels, and by simulation."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import binom, nbinom

from pipeline.stats.forecast import Lasts, count_prediction, dispersion, lasts


def by_definition(k: int, past: float, ahead: float, confidence: float) -> tuple[int, int]:
    """Counts to come that the past count k does not contradict, in either tail of the conditional binomial."""
    a, p, y = (1 - confidence) / 2, past / (past + ahead), np.arange(2000)
    low = int(np.argmax(binom.sf(k - 1, k + y, p) > a))  # P(past count of k or more) is not too small
    inside = np.flatnonzero(binom.cdf(k, k + 1 + y, p) <= a)
    return low, int(inside[0])


@pytest.mark.parametrize("k", [0, 1, 2, 7, 40, 300])
@pytest.mark.parametrize(("past", "ahead"), [(360.0, 30.0), (90.0, 90.0), (30.0, 60.0)])
@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_limits_of_a_poisson_count_are_those_of_the_conditional_binomial(
    k: int, past: float, ahead: float, confidence: float
) -> None:
    found = count_prediction([k], past, [ahead], confidence)
    low, high = by_definition(k, past, ahead, confidence)
    assert found.high[0] == high
    assert abs(found.low[0] - low) <= 1, "one count's difference: quantile against the first count inside"
    assert found.low[0] <= found.expected[0] <= found.high[0]
    assert found.expected[0] == pytest.approx(k * ahead / past)


def test_no_events_are_no_promise_of_none() -> None:
    found = count_prediction([0] * 12, 30, [30, 90])
    assert found.low.tolist() == [0, 0]
    # P(more than y) is (30/390)^(y+1) and (90/450)^(y+1): 0.077 and 0.0059; 0.2, 0.04 and 0.008.
    assert found.high.tolist() == [1, 2]
    assert found.expected.tolist() == [0, 0]


def test_dispersion_is_pearsons() -> None:
    counts = np.array([3, 9, 1, 12, 4, 0, 7, 15, 2, 6, 8, 5])
    fit = sm.GLM(counts, np.ones((counts.size, 1)), family=sm.families.Poisson()).fit()
    assert dispersion(counts) == pytest.approx(fit.pearson_chi2 / fit.df_resid)


def test_dispersion_is_never_below_poissons_and_not_told_from_few_months() -> None:
    assert dispersion([5] * 12) == 1
    assert dispersion([0, 40, 0, 40, 0]) == 1
    assert dispersion([0] * 12) == 1


@pytest.mark.parametrize("spread", [1.0, 3.0])
def test_limits_hold_the_count_to_come_in_about_95_of_100(spread: float) -> None:
    """Twelve months of counts, Poisson or with three times its variance (gamma-mixed), and the three to come."""
    dice = np.random.default_rng(7)
    mean, rounds = 10.0, 1500
    shape = np.full((rounds, 15), mean) if spread == 1 else dice.gamma(mean / (spread - 1), spread - 1, (rounds, 15))
    drawn = dice.poisson(shape)
    found = [count_prediction(row[:12], 30, [90]) for row in drawn]
    to_come = drawn[:, 12:].sum(axis=1)
    held = np.mean([f.low[0] <= y <= f.high[0] for f, y in zip(found, to_come, strict=True)])
    assert 0.93 <= held <= 0.985, held


def test_a_stock_lasts_as_many_days_as_it_takes_to_use_it() -> None:
    counts = [4] * 12
    found = lasts(20, counts, 30)
    assert found.days == pytest.approx(150)
    assert found.low is not None
    assert found.high is not None
    assert found.low < 150 < found.high
    first = count_prediction(counts, 30, [found.low - 1, found.low])
    assert first.high[0] < 20 <= first.high[1]
    last = count_prediction(counts, 30, [found.high - 1, found.high])
    assert last.low[0] < 20 <= last.low[1]


def test_days_are_those_that_a_look_at_every_day_finds() -> None:
    random = np.random.default_rng(20261129)
    every = np.arange(1, 1096)
    spreads = set()
    for stock in (1, 3, 12, 60, 700):
        for mean, size in ((0.3, 4), (5.0, 12), (40.0, 24)):
            counts = random.negative_binomial(2, 2 / (2 + mean), size)
            used = count_prediction(counts, 30, every)
            spreads.add(used.dispersion > 1)
            assert (np.diff(used.low) >= 0).all()
            assert (np.diff(used.high) >= 0).all()
            found = lasts(stock, counts, 30)
            for day, limit in ((found.low, used.high), (found.high, used.low)):
                reached = np.flatnonzero(limit >= stock)
                assert day == (every[reached[0]] if reached.size else None)
    assert spreads == {True, False}


def test_an_empty_stock_and_one_that_nobody_uses() -> None:
    assert lasts(0, [4] * 12, 30) == Lasts(0.0, 0, 0)
    unused = lasts(10, [0] * 12, 30)
    assert unused.days is None
    assert unused.high is None
    assert lasts(10_000, [1], 30) == Lasts(300_000.0, None, None)


@pytest.mark.parametrize(("counts", "period", "horizon"), [([], 30, 30), ([-1], 30, 30), ([1], 0, 30), ([1], 30, 0)])
def test_what_cannot_be_is_refused(counts: list[int], period: float, horizon: float) -> None:
    with pytest.raises(ValueError, match="positive"):
        count_prediction(counts, period, [horizon])


def test_limits_are_quantiles_of_scipys_negative_binomial() -> None:
    horizons = np.array([7.0, 30.0, 365.0])
    for counts in ([0, 0, 1], [3, 4, 2, 6, 3, 5], [400, 405, 391]):
        made = count_prediction(counts, 30, horizons)
        assert made.dispersion == 1
        k, p = sum(counts), 1 / (1 + horizons / (30 * len(counts)))
        assert list(made.high) == list(nbinom.ppf(0.975, k + 1, p))
        assert list(made.low) == list(nbinom.ppf(0.025, k, p))
