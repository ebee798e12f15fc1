"""Times, which are skewed: median, quartiles and 90th percentile.

Sources: order-statistic interval of the median, Campbell MJ, Gardner MJ, BMJ 1988;296:1454-1456. Quantiles of type 7
(those of R, NumPy and DuckDB's quantile_cont), Hyndman RJ, Fan Y, Am Stat 1996;50:361-365. Clusters: the error of the
share below a quantile, Woodruff RS, J Am Stat Assoc 1952;47:635-646; divided by it, Rao JNK, Scott AJ, Biometrics
1992;48:577-585.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ._common import FEW_CLUSTERS, Floats, Ints, cluster_codes, critical_value, normal_cdf, sample, tail, z_value


@lru_cache(maxsize=4096)
def median_ranks(n: int, confidence: float = 0.95) -> tuple[int, int] | None:
    """Ranks (from 1) of the sorted values that bound the median with at least this confidence.

    Symmetric: k and n + 1 - k, with k as large as Binomial(n, 1/2) allows. None where even the range does not reach the
    confidence, which for 0.95 is n < 6.
    """
    from scipy.special import bdtr

    a = tail(confidence)
    if n < 1:
        return None
    # P(fewer than k of n values lie below the median) = bdtr(k - 1). Step to the answer from the normal guess.
    k = min(max(int(n / 2 - z_value(confidence) * math.sqrt(n) / 2), 0), n // 2)
    while k > 0 and bdtr(k - 1, n, 0.5) > a:
        k -= 1
    while k < n // 2 and bdtr(k, n, 0.5) <= a:
        k += 1
    return (k, n + 1 - k) if k > 0 else None


def share_error(below: npt.ArrayLike, cluster: npt.ArrayLike) -> float | None:
    """Standard error of a share of units (`below` 1 or 0) in clusters, Woodruff's of F(q); None below two clusters.

    sqrt(m/(m-1) sum over clusters of (sum of (below - share))**2) / n.
    """
    z, codes = np.asarray(below, dtype=float).ravel(), np.asarray(cluster).ravel()
    codes = cluster_codes(codes, z.size)
    m = int(codes.max(initial=-1)) + 1
    if m < 2:
        return None
    return math.sqrt(m / (m - 1) * float((np.bincount(codes, weights=z - z.mean()) ** 2).sum())) / z.size


def median_design_effect(values: npt.ArrayLike, cluster: npt.ArrayLike | None) -> float:
    """Variance of the share of values at or below the median over that of independent values; never below 1.

    Where that share cannot tell it (one cluster, or values that are all equal) the units of a cluster count as one.
    """
    x = sample(values)
    codes = cluster_codes(cluster, x.size)
    m = int(codes.max(initial=-1)) + 1
    if m in (0, x.size):
        return 1.0
    middle = np.median(x)
    below = x <= middle
    if below.all():  # the median is the largest value as well
        below = x < middle
    share = float(below.mean())
    error = share_error(below, codes)
    if error is None or not 0 < share < 1:
        return x.size / m
    return max(error**2 / (share * (1 - share)) * x.size, 1.0)


def _clustered_ranks(x: Floats, codes: Ints, confidence: float) -> tuple[int, int] | None:
    """Ranks as `median_ranks`, of an effective n; below 40 clusters with Student's t in place of the normal."""
    from scipy.special import betainc

    m = int(codes.max(initial=-1)) + 1
    if m in (0, x.size):
        return median_ranks(x.size, confidence)
    if m < 2:
        return None
    effect = median_design_effect(x, codes)
    n = x.size / effect
    a = normal_cdf(-critical_value(m, confidence)) if m < FEW_CLUSTERS else tail(confidence)
    # The largest k, not a whole number here, with P(fewer than k of n below the median) = I(1/2; n - k + 1, k) <= a.
    low, high = 0.0, n / 2
    for _ in range(60):
        k = (low + high) / 2
        low, high = (k, high) if betainc(n - k + 1, k, 0.5) <= a else (low, k)
    rank = math.floor(low * effect + 1e-9)
    # The whole range bounds the median only where so many independent values as there are effective ones do.
    return (rank, x.size + 1 - rank) if rank >= 1 and low >= 1 else None


@dataclass(frozen=True)
class TimeSummary:
    """Times in their own unit. `low` and `high` bound the median; None where n is too small (below 6 at 0.95)."""

    n: int
    q1: float | None
    median: float | None
    q3: float | None
    p90: float | None
    low: float | None
    high: float | None


def summary(values: npt.ArrayLike, confidence: float = 0.95, cluster: npt.ArrayLike | None = None) -> TimeSummary:
    """Median with order-statistic interval, quartiles, 90th percentile (type 7). ValueError if a value is missing.

    With several values a `cluster` the ranks are those of an effective n, n over `median_design_effect`. Limits that
    are equal are no rounding: so many values are the same that the median is it, with this confidence.
    """
    x = sample(values)
    codes = cluster_codes(cluster, x.size)
    order = np.argsort(x, kind="stable")
    x, codes = x[order], codes[order]
    if x.size == 0:
        return TimeSummary(0, None, None, None, None, None, None)
    q1, median, q3, p90 = (float(q) for q in np.quantile(x, [0.25, 0.5, 0.75, 0.9]))
    ranks = _clustered_ranks(x, codes, confidence)
    low, high = (None, None) if ranks is None else (float(x[ranks[0] - 1]), float(x[ranks[1] - 1]))
    return TimeSummary(x.size, q1, median, q3, p90, low, high)
