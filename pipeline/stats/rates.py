"""Rates: events over exposure (canals, uses, revolutions, expected events).

Sources: Garwood F, Biometrika 1936;28:437-442, in the chi-square form of Ulm K, Am J Epidemiol 1990;131:373-375.
Gu K, Ng HKT, Tang ML, Schucany WR, Biometrical J 2008;50:283-298 (tests of two rates). Exact ratio: given the total,
the first count is binomial (Przyborowski J, Wilenski H, Biometrika 1940;31:313-323).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import Floats, number, tail
from .proportions import clopper_pearson, widened


def garwood(events: npt.ArrayLike, exposure: npt.ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Exact Poisson interval (low, high) of events / exposure, in events per unit of exposure.

    Arrays, one element a group. With no events the lower bound is exactly 0 and the upper one still shows. NaN where
    there is no exposure. ValueError for negative events or exposure.
    """
    from scipy.special import gammaincinv

    k, t = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(exposure, dtype=float))
    if bool(np.any(k < 0)) or bool(np.any(t < 0)):
        raise ValueError("events and exposure are not negative")
    a = tail(confidence)
    # chi2.ppf(q, 2k)/2 is the inverse of the incomplete gamma function; at k = 0 it is undefined and means 0.
    low = np.where(k == 0, 0.0, gammaincinv(np.where(k == 0, 1, k), a))
    high = np.asarray(gammaincinv(k + 1, 1 - a), dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(t > 0, low / t, np.nan), np.where(t > 0, high / t, np.nan)


def design_effect(
    events: npt.ArrayLike,
    exposure: npt.ArrayLike,
    clusters: npt.ArrayLike,
    sum_yy: npt.ArrayLike,
    sum_yt: npt.ArrayLike,
    sum_tt: npt.ArrayLike,
) -> Floats:
    """Variance of a rate from its clusters over the Poisson one, from sums that SQL can make; never below 1.

    A cluster c (a patient) has y_c events over an exposure t_c. `clusters` is their number m, `sum_yy` the sum of
    y_c**2, `sum_yt` of y_c * t_c, `sum_tt` of t_c**2.

    d = m/(m-1) * sum((y_c - r t_c)**2) / y, r = y / t. 1 where the data cannot show clustering: fewer than two clusters
    or no events. Source: as `proportions.design_effect`, the variance of Rao and Scott for a ratio.
    """
    y, t, m, yy, yt, tt = (np.asarray(v, dtype=float) for v in (events, exposure, clusters, sum_yy, sum_yt, sum_tt))
    with np.errstate(divide="ignore", invalid="ignore"):
        r = y / t
        d = m / (m - 1) * np.maximum(yy - 2 * r * yt + r**2 * tt, 0) / y
    return np.where((m >= 2) & (y > 0) & (t > 0), np.maximum(d, 1), 1.0)


def clustered_garwood(
    events: npt.ArrayLike,
    exposure: npt.ArrayLike,
    n: npt.ArrayLike,
    clusters: npt.ArrayLike,
    sum_yy: npt.ArrayLike,
    sum_yt: npt.ArrayLike,
    sum_tt: npt.ArrayLike,
    confidence: float = 0.95,
) -> tuple[Floats, Floats]:
    """Garwood interval (low, high) on events and exposure divided by their design effect.

    `n` is the number of units: where each is a cluster of its own and has no more than one event the interval is
    Garwood's own. Few clusters cost more, as in `proportions.effective_divisor`; and where a cluster has several events
    it is the clusters with events that tell how alike they are, y**2 / sum y_c**2 of them (Kish): few of those cost as
    much. The least degrees of freedom are by simulation (tests/planted/simulated/clusters_truths.py).
    """
    y, size, m, yy = (np.asarray(v, dtype=float) for v in (events, n, clusters, sum_yy))
    together = (size > m) | (yy > y)
    d = np.where(together, design_effect(y, exposure, m, yy, sum_yt, sum_tt), 1.0)
    several = yy > y
    with_events = np.maximum(np.where(several, y**2 / np.where(several, yy, 1), m), _LEAST_TELLING)
    d = widened(d, np.where(several, np.minimum(m, with_events), m), y, together, confidence)
    return garwood(y / d, np.asarray(exposure, dtype=float) / d, confidence)


_LEAST_TELLING = 7.0  # clusters: fewer would make an interval of two events in one patient say nothing at all


@dataclass(frozen=True)
class RateRatio:
    """Ratio of two rates; None where not estimable (no events in the second group: ratio and upper limit)."""

    ratio: float | None
    low: float | None
    high: float | None
    p: float | None


def rate_ratio_exact(x1: int, t1: float, x2: int, t2: float, confidence: float = 0.95) -> RateRatio:
    """Ratio (x1/t1) / (x2/t2) with exact limits; the two-sided p-value adds all outcomes no more likely than this one.

    Without any event nothing is estimable. ValueError for negative events or an exposure that is not positive.
    """
    _check(x1, t1, x2, t2)
    if x1 + x2 == 0:
        return RateRatio(None, None, None, None)
    from scipy.stats import binomtest

    low, high = (float(v) for v in clopper_pearson(x1, x1 + x2, confidence))
    scale = t2 / t1
    return RateRatio(
        ratio=x1 / x2 * scale if x2 else None,
        low=low / (1 - low) * scale,
        high=number(high / (1 - high) * scale) if high < 1 else None,
        p=float(binomtest(x1, x1 + x2, t1 / (t1 + t2)).pvalue),
    )


def _check(x1: float, t1: float, x2: float, t2: float) -> None:
    if x1 < 0 or x2 < 0 or not t1 > 0 or not t2 > 0:
        raise ValueError("events are not negative and exposures are positive")
