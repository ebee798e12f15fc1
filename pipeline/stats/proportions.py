"""Shares: events of n, their intervals, their difference, and what clustering does to them.

Every function takes scalars or arrays (broadcast together, one element a group) and returns float arrays; NaN means
"not estimable" (n = 0). Events may be fractions: that is what dividing by a design effect leaves.

Sources: Wilson EB, J Am Stat Assoc 1927;22:209-212. Clopper CJ, Pearson ES, Biometrika 1934;26:404-413.
Newcombe RG, Stat Med 1998;17:857-872 (one share, methods 3 and 5) and 17:873-890 (difference, method 10).
Hanley JA, Lippman-Hand A, JAMA 1983;249:1743-1745 (no events).
Rao JNK, Scott AJ, Biometrics 1992;48:577-585 (clusters). Korn EL, Graubard BI, Surv Methodol 1998;24:193-201 (few).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ._common import FEW_CLUSTERS, Floats, counts, tail, z_value


def wilson(events: npt.ArrayLike, n: npt.ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Wilson score interval (low, high) of a share.

    The bound is exactly 0 with no events and exactly 1 with nothing else. ValueError if events fall outside 0..n.
    """
    x, size = counts(events, n)
    z2 = z_value(confidence) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        half = np.sqrt(z2) * np.sqrt(z2 + 4 * x * (1 - x / size))
        low = (2 * x + z2 - half) / (2 * (size + z2))
        high = (2 * x + z2 + half) / (2 * (size + z2))
    return _tidy(low, high, x, size)


def clopper_pearson(events: npt.ArrayLike, n: npt.ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Exact (conservative) interval (low, high) of a share from quantiles of the beta distribution."""
    from scipy.special import betaincinv

    x, size = counts(events, n)
    a = tail(confidence)
    with np.errstate(invalid="ignore"):
        low = np.asarray(betaincinv(x, size - x + 1, a), dtype=float)
        high = np.asarray(betaincinv(x + 1, size - x, 1 - a), dtype=float)
    return _tidy(low, high, x, size)


def _tidy(low: Floats, high: Floats, x: Floats, size: Floats) -> tuple[Floats, Floats]:
    # In floating point the Wilson bound at 0 events is about -1e-17: printed, that is "-0.0 %".
    low = np.where(x == 0, 0.0, np.clip(low, 0, 1))
    high = np.where(x == size, 1.0, np.clip(high, 0, 1))
    unknown = ~(size > 0)
    return np.where(unknown, np.nan, low), np.where(unknown, np.nan, high)


def newcombe_difference(
    x1: npt.ArrayLike, n1: npt.ArrayLike, x2: npt.ArrayLike, n2: npt.ArrayLike, confidence: float = 0.95
) -> tuple[Floats, Floats, Floats]:
    """Difference of two independent shares, x1/n1 - x2/n2, with Newcombe's hybrid score limits.

    Gives (difference, low, high). For independent groups only: two teeth of the same patient need another method.
    Groups with clusters pass events and units divided by their design effects.
    """
    a, size1 = counts(x1, n1)
    b, size2 = counts(x2, n2)
    low1, high1 = wilson(a, size1, confidence)
    low2, high2 = wilson(b, size2, confidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        p1, p2 = a / size1, b / size2
        difference = p1 - p2
        low = difference - np.hypot(p1 - low1, high2 - p2)
        high = difference + np.hypot(high1 - p1, p2 - low2)
    return difference, np.clip(low, -1, 1), np.clip(high, -1, 1)


def design_effect(
    events: npt.ArrayLike,
    n: npt.ArrayLike,
    clusters: npt.ArrayLike,
    sum_yy: npt.ArrayLike,
    sum_yn: npt.ArrayLike,
    sum_nn: npt.ArrayLike,
) -> Floats:
    """Rao-Scott design effect of a share, from sums that SQL can make: its variance over the binomial one.

    A cluster c (a patient, say) has y_c events of n_c units. `clusters` is their number m, `sum_yy` the sum of y_c**2,
    `sum_yn` of y_c * n_c, `sum_nn` of n_c**2, all per group.

    d = N v / (p (1 - p)) with v = m/(m-1) * sum((y_c - n_c p)**2) / N**2.

    Never below 1, so that chance never narrows an interval. 1 where the data cannot show clustering: fewer than two
    clusters, no events or nothing but events (with 0 of 60 roots in 20 patients the plain interval is therefore too
    hopeful), and exactly 1 where every cluster is one unit (the formula itself gives N/(N-1) there).
    """
    y, size = counts(events, n)
    m, yy, yn, nn = (np.asarray(v, dtype=float) for v in (clusters, sum_yy, sum_yn, sum_nn))
    with np.errstate(divide="ignore", invalid="ignore"):
        p = y / size
        squares = np.maximum(yy - 2 * p * yn + p**2 * nn, 0)
        d = m / (m - 1) * squares / (size * p * (1 - p))
    known = (m >= 2) & (y > 0) & (y < size) & (nn > size)
    return np.where(known, np.maximum(d, 1), 1.0)


def effective_divisor(
    events: npt.ArrayLike,
    n: npt.ArrayLike,
    clusters: npt.ArrayLike,
    sum_yy: npt.ArrayLike,
    sum_yn: npt.ArrayLike,
    sum_nn: npt.ArrayLike,
    confidence: float = 0.95,
) -> Floats:
    """What events and units are divided by for an interval: the `design_effect`, more where few clusters tell it.

    Below 40 clusters of which any has several units it is times (t / z)**2, Student's t with m - 1 degrees of freedom
    (Korn and Graubard 1998: Wilson's limits depend on z**2 / n alone). All units of a single cluster count as one.
    Never below 1: an effective n is never above n.
    """
    _, size = counts(events, n)
    m, nn = np.asarray(clusters, dtype=float), np.asarray(sum_nn, dtype=float)
    return widened(design_effect(events, n, clusters, sum_yy, sum_yn, sum_nn), m, size, nn > size, confidence)


def widened(effect: Floats, clusters: Floats, n: Floats, together: npt.NDArray[np.bool_], confidence: float) -> Floats:
    """Design effects with what few clusters cost; `together` says where clusters hold several units."""
    few = together & (clusters >= 2) & (clusters < FEW_CLUSTERS)
    if few.any():  # else SciPy, which takes longer to load than all else, is not needed
        from scipy.special import stdtrit

        t = stdtrit(np.where(few, clusters - 1, 1), 1 - tail(confidence))
        effect = np.where(few, effect * (t / z_value(confidence)) ** 2, effect)
    return np.where(together & (clusters == 1), np.maximum(n, 1), effect)


def clustered_wilson(
    events: npt.ArrayLike,
    n: npt.ArrayLike,
    clusters: npt.ArrayLike,
    sum_yy: npt.ArrayLike,
    sum_yn: npt.ArrayLike,
    sum_nn: npt.ArrayLike,
    confidence: float = 0.95,
) -> tuple[Floats, Floats]:
    """Wilson interval (low, high) on events and units divided by their `effective_divisor`; arguments as there."""
    y, size = counts(events, n)
    d = effective_divisor(y, size, clusters, sum_yy, sum_yn, sum_nn, confidence)
    return wilson(y / d, size / d, confidence)
