"""How many events are to come, from counts of past periods: prediction limits, not limits of the mean.

Source: exact limits for a future Poisson count given a past one, conditional on their sum (Nelson W, Applied Life
Data Analysis, 1982; Hahn GJ, Meeker WQ, Statistical Intervals, 1991; both from memory). Given the sum, the past count
is binomial, which makes the limits quantiles of negative binomial distributions, as Garwood's are of gamma ones. Counts
that vary more than Poisson's: all variances times Pearson's chi-square over its degrees of freedom (McCullagh P, Nelder
JA, Generalized Linear Models, 1989).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import Floats, normal_cdf, sample, smallest_count, tail

FEW_PERIODS = 6  # with fewer, dispersion is taken as Poisson's: an estimate of it would be mostly chance
LONGEST = 1095  # days; a stock that lasts longer is not told apart


@dataclass(frozen=True, eq=False)
class Prediction:
    """Events expected within each horizon, with prediction limits; `dispersion` is 1 for Poisson counts."""

    expected: Floats
    low: Floats
    high: Floats
    dispersion: float


def count_prediction(
    counts: npt.ArrayLike, period: float, horizons: npt.ArrayLike, confidence: float = 0.95
) -> Prediction:
    """Future events within `horizons` (in days, say), from past `counts`, each of one `period` of the same unit.

    The rate is taken as constant: no season, no trend. ValueError without counts, for negative ones, or for times that
    are not positive.
    """
    from scipy.special import betainc, nbdtrik, stdtrit

    x, h = sample(counts), np.asarray(horizons, dtype=float)
    if x.size == 0 or bool(np.any(x < 0)) or not period > 0 or bool(np.any(h <= 0)):
        raise ValueError("past counts are at least one and not negative; periods and horizons are positive")
    k, past = float(x.sum()), x.size * period
    spread = dispersion(x)
    # A negative binomial with mean k h / past and variance spread (1 + h / past) times the mean; at spread 1 its
    # probability is past / (past + h) and its size is k. The upper limit allows for one event more, as Garwood's does.
    p = 1 / (spread * (1 + h / past))
    size_per_event = h / past * p / (1 - p)
    # A dispersion that was estimated is uncertain itself: the tails are then those of Student's t.
    a = tail(confidence) if spread == 1 else normal_cdf(float(stdtrit(x.size - 1, tail(confidence))))

    def quantile(at: float, events: float) -> Floats:
        size = events * size_per_event
        return smallest_count(at, nbdtrik(at, size, p), lambda k: np.asarray(betainc(size, k + 1, p), dtype=float))

    low = quantile(a, k) if k > 0 else np.zeros_like(h)
    return Prediction(k * h / past, low, quantile(1 - a, k + 1), spread)


def dispersion(counts: npt.ArrayLike) -> float:
    """Variance of counts over Poisson's, never below 1; 1 where there are fewer than 6 counts, or no events."""
    x = sample(counts)
    mean = float(x.mean()) if x.size else 0.0
    if x.size < FEW_PERIODS or mean == 0:
        return 1.0
    return max(float(((x - mean) ** 2).sum() / mean / (x.size - 1)), 1.0)


@dataclass(frozen=True)
class Lasts:
    """Days until a stock is used up; None where that is beyond what is looked at, or nothing is used."""

    days: float | None
    low: int | None
    high: int | None


def lasts(stock: float, counts: npt.ArrayLike, period: float, confidence: float = 0.95) -> Lasts:
    """How many days a stock lasts: stock over the rate; between the first days on which the upper and the lower limit
    of what is used reaches the stock, looking 1095 days ahead."""
    x = sample(counts)
    if stock <= 0:
        return Lasts(0.0, 0, 0)

    def first_day(limit: Callable[[Prediction], Floats]) -> int | None:
        # A limit never falls from a day to the next: the negative binomial's p falls, its size does not.
        days = range(1, LONGEST + 1)
        at = bisect_left(days, stock, key=lambda day: limit(count_prediction(x, period, [day], confidence))[0])
        return days[at] if at < len(days) else None

    k = float(x.sum())
    days = stock / k * x.size * period if k > 0 else None
    return Lasts(days, first_day(lambda used: used.high), first_day(lambda used: used.low))
