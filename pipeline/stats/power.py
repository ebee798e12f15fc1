"""What numbers of this size could have shown, and what many comparisons at once cost.

Normal approximations for independent units: where units cluster, divide n by the design effect first. Power is asked
for a difference that would matter, never for the observed one: that would only restate the p-value.

Sources: pooled-variance formula as in Fleiss JL, Levin B, Paik MC, Statistical Methods for Rates and Proportions, 3rd
ed. 2003 (from memory), the one that R's power.prop.test uses. Cohen J, Statistical Power Analysis, 2nd ed. 1988,
chapter 6. Benjamini Y, Hochberg Y, J R Stat Soc B 1995;57:289-300. Holm S, Scand J Stat 1979;6:65-70.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import numpy.typing as npt

from ._common import Floats, normal_cdf, normal_quantile


def power_two_proportions(p1: float, p2: float, n1: float, n2: float | None = None, alpha: float = 0.05) -> float:
    """Chance that a two-sided test at alpha sees p1 against p2 with n1 and n2 units (n2 = n1 if not given).

    As R's power.prop.test, without the far tail. ValueError for shares outside 0..1 or groups without units.
    """
    n2 = n1 if n2 is None else n2
    _check(p1, p2)
    if not (n1 > 0 and n2 > 0):
        raise ValueError("both groups have units")
    pooled = (n1 * p1 + n2 * p2) / (n1 + n2)
    null = math.sqrt(pooled * (1 - pooled) * (1 / n1 + 1 / n2))
    spread = math.sqrt(p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2)
    reach = abs(p1 - p2) - normal_quantile(1 - alpha / 2) * null
    if spread == 0:  # 0 against 1: certain either way
        return 1.0 if reach > 0 else 0.0
    return normal_cdf(reach / spread)


def sample_size(p1: float, p2: float, power: float = 0.8, alpha: float = 0.05) -> float:
    """Units a group that a two-sided test at alpha needs to see p1 against p2; not rounded. ValueError if p1 = p2."""
    _check(p1, p2)
    if p1 == p2:
        raise ValueError("no number of units shows a difference of nothing")
    pooled = (p1 + p2) / 2
    null = normal_quantile(1 - alpha / 2) * math.sqrt(2 * pooled * (1 - pooled))
    return ((null + normal_quantile(power) * math.sqrt(p1 * (1 - p1) + p2 * (1 - p2))) / (p1 - p2)) ** 2


def smallest_difference(
    n1: float,
    n2: float,
    p_reference: float,
    power: float = 0.8,
    alpha: float = 0.05,
    direction: Literal["rise", "fall", "either"] = "either",
) -> float | None:
    """The smallest risk difference from `p_reference` (the share in the group of n2) that could have been shown.

    `rise` and `fall` look one way and give None where even 100 % or 0 % would not be seen with this power. `either`
    gives the larger of the two that exist: a difference of that size would have been seen in whichever direction it
    is possible. None without units in a group. With few units, or shares near 0 or 1, the normal approximation is too
    hopeful.
    """
    _check(p_reference, p_reference)
    if not (n1 > 0 and n2 > 0):
        return None
    if direction == "either":
        both = (_smallest(n1, n2, p_reference, end, power, alpha) for end in (0.0, 1.0))
        return max((d for d in both if d is not None), default=None)
    if direction not in ("rise", "fall"):
        raise ValueError(f"direction is rise, fall or either, not {direction!r}")
    return _smallest(n1, n2, p_reference, 1.0 if direction == "rise" else 0.0, power, alpha)


def _smallest(n1: float, n2: float, p: float, end: float, power: float, alpha: float) -> float | None:
    """Bisection between no difference and the end of the scale: power grows with the difference."""
    if p == end or power_two_proportions(end, p, n1, n2, alpha) < power:
        return None
    near, far = 0.0, abs(end - p)
    sign = 1 if end > p else -1
    for _ in range(60):
        middle = (near + far) / 2
        if power_two_proportions(min(max(p + sign * middle, 0.0), 1.0), p, n1, n2, alpha) < power:
            near = middle
        else:
            far = middle
    return far


def benjamini_hochberg(p: npt.ArrayLike) -> Floats:
    """p-values adjusted for the share of false discoveries, in their own order.

    The whole family goes in, also what was not remarkable. NaN (not estimable) stays NaN and does not count.
    """
    known, order, result = _ranked(p)
    m = order.size
    scaled = known[order] * m / np.arange(1, m + 1)
    result[np.flatnonzero(~np.isnan(result))[order]] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1)
    return result


def holm(p: npt.ArrayLike) -> Floats:
    """p-values adjusted by Holm's step-down method, in their own order; NaN stays NaN and does not count."""
    known, order, result = _ranked(p)
    m = order.size
    scaled = known[order] * (m - np.arange(m))
    result[np.flatnonzero(~np.isnan(result))[order]] = np.minimum(np.maximum.accumulate(scaled), 1)
    return result


def bonferroni(p: npt.ArrayLike) -> Floats:
    """p-values times their number; NaN stays NaN and does not count."""
    known, _, result = _ranked(p)
    return np.minimum(result * known.size, 1)


def _ranked(p: npt.ArrayLike) -> tuple[Floats, npt.NDArray[np.int64], Floats]:
    """Known p-values, their order, and a copy of all to fill in. ValueError outside 0..1."""
    values = np.array(p, dtype=float).ravel()
    known = values[~np.isnan(values)]
    if bool(np.any((known < 0) | (known > 1))):
        raise ValueError("p-values lie between 0 and 1")
    return known, np.argsort(known, kind="stable").astype(np.int64), values


def _check(p1: float, p2: float) -> None:
    if not (0 <= p1 <= 1 and 0 <= p2 <= 1):
        raise ValueError("shares lie between 0 and 1")
