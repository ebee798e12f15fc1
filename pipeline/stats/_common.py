"""What every estimator needs: the normal distribution without SciPy, checked confidence, plain numbers out.

`statistics.NormalDist` is accurate to about 1e-15 and loads at once; SciPy's does not.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
_NORMAL = NormalDist()
FEW_CLUSTERS = 40  # below this errors from clusters are themselves uncertain: Student's t instead of the normal


def z_value(confidence: float) -> float:
    """Two-sided normal quantile, 1.96 for 0.95. ValueError unless 0 < confidence < 1."""
    return _NORMAL.inv_cdf(1 - tail(confidence))


def tail(confidence: float) -> float:
    """Probability left in each tail, 0.025 for 0.95. ValueError unless 0 < confidence < 1."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is a number between 0 and 1, for instance 0.95, not {confidence!r}")
    return (1 - confidence) / 2


def critical_value(clusters: int, confidence: float, terms: int = 1) -> float:
    """Two-sided quantile for an error that so many clusters tell of a model of so many terms.

    Below 40 clusters Student's t with clusters - terms degrees of freedom, else the normal one. NaN where no degree of
    freedom is left. Source: Mancl LA, DeRouen TA, Biometrics 2001;57:126-134 (too small errors below 40 clusters); Bell
    RM, McCaffrey DF, Survey Methodology 2002;28:169-181 (Student's t).
    """
    if clusters <= terms:
        return math.nan
    if clusters >= FEW_CLUSTERS:
        return z_value(confidence)
    from scipy.special import stdtrit

    return float(stdtrit(clusters - terms, 1 - tail(confidence)))


def clustered_p(statistic: float, clusters: int, terms: int = 1) -> float:
    """P(|T| >= |statistic|) by the distribution of `critical_value`; NaN where no degree of freedom is left."""
    if clusters <= terms:
        return math.nan
    if clusters >= FEW_CLUSTERS:
        return two_sided_p(statistic)
    from scipy.special import stdtr

    return float(2 * stdtr(clusters - terms, -abs(statistic)))


def cluster_codes(cluster: npt.ArrayLike | None, units: int) -> Ints:
    """Each unit's cluster as a number from 0; a unit each where none are given. ValueError unless one a unit."""
    if cluster is None:
        return np.arange(units)
    codes = np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1].astype(np.int64)
    if codes.size != units:
        raise ValueError(f"{units} units but {codes.size} clusters: one of each a unit")
    return codes


def normal_cdf(z: float) -> float:
    """P(Z <= z); the complementary error function keeps small tails exact."""
    return 0.5 * math.erfc(-z / math.sqrt(2))


def normal_quantile(p: float) -> float:
    """z with P(Z <= z) = p, 0 < p < 1."""
    return _NORMAL.inv_cdf(p)


def two_sided_p(z: float) -> float:
    """P(|Z| >= |z|)."""
    return math.erfc(abs(z) / math.sqrt(2))


def chi2_p(statistic: float, df: int) -> float:
    """Upper tail of the chi-square distribution."""
    if df == 1:
        return math.erfc(math.sqrt(max(statistic, 0.0) / 2))
    from scipy.special import chdtrc

    return float(chdtrc(df, statistic))


def smallest_count(p: npt.ArrayLike, near: npt.ArrayLike, cdf: Callable[[Floats], Floats]) -> Floats:
    """Quantile of a count: the smallest k >= 0 with cdf(k) >= p, where `near` is k or so near that rounding decides.

    With SciPy's special functions this needs nothing of scipy.stats, which takes a second to load.
    """
    wanted = np.asarray(p, dtype=float) * (1 - 1e-12)  # F(k) = p counts as reached in spite of rounding
    k: Floats = np.maximum(np.ceil(np.asarray(near, dtype=float)), 0.0)
    k = np.where((k > 0) & (cdf(np.maximum(k - 1, 0.0)) >= wanted), k - 1, k)
    return np.where(cdf(k) < wanted, k + 1, k)


def counts(events: npt.ArrayLike, n: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Events and units as float arrays of one shape. ValueError if events fall outside 0..n; NaN passes through."""
    x, size = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(n, dtype=float))
    if bool(np.any(x < 0)) or bool(np.any(x > size)):
        raise ValueError("events lie between 0 and n")
    return x, size


def sample(values: npt.ArrayLike) -> Floats:
    """One-dimensional sample. ValueError if a value is missing or not finite."""
    x = np.asarray(values, dtype=float).ravel()
    if not bool(np.all(np.isfinite(x))):
        raise ValueError("values are missing or not finite: leave them out, and count them, before this step")
    return x


def number(x: float) -> float | None:
    """A plain float, or None ("not estimable") where the figure is NaN or infinite."""
    return float(x) if math.isfinite(x) else None
