"""Funnel plots: units (dentists, lots) against the pooled figure, with limits that follow their size.

Never a league table. Sources: Spiegelhalter DJ, Stat Med 2005;24:1185-1202 (exact limits, appendix A.1;
over-dispersion) and Qual Saf Health Care 2005;14:347-351. With 95 % limits one unit in twenty lies outside by
design.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import Floats, counts, normal_quantile, smallest_count

PROBABILITIES = (0.001, 0.025, 0.975, 0.999)  # limits of 99.8 % and 95 %
FEW_UNITS = 10  # with fewer, over-dispersion cannot be told from chance


def binomial_steps(target: float, n: npt.ArrayLike, probabilities: npt.ArrayLike = PROBABILITIES) -> Floats:
    """Limits of a share as whole counts, not smoothed: smallest r with F(r) >= p, as r / n.

    Shape (units, probabilities), for units of n about the share `target`, in 0..1.
    A unit is beyond an upper limit only where so many events or more have a chance of at most 1 - p, and below a lower
    one only where so few or fewer have less than p. Smoothed limits flag many more units where hardly one event is
    expected. NaN where n = 0. ValueError for a target outside 0..1.
    """
    if not 0 <= target <= 1:
        raise ValueError("the target share lies between 0 and 1")
    size, p = _grid(n, probabilities)
    whole = np.where(size > 0, size, 1)
    if target in (0, 1):
        return np.where(size > 0, float(target), np.nan) * np.ones_like(p)
    return np.where(size > 0, _binomial(p, whole, target) / whole, np.nan)


def _grid(units: npt.ArrayLike, probabilities: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Units down, probabilities across."""
    down = np.atleast_1d(np.asarray(units, dtype=float)).ravel()[:, None]
    return down, np.atleast_1d(np.asarray(probabilities, dtype=float)).ravel()[None, :]


def _binomial(p: Floats, n: Floats, target: float) -> Floats:
    """The smallest r with F(r) >= p of the binomial distribution, 0 < target < 1."""
    from scipy.special import bdtrik, betainc

    def cdf(k: Floats) -> Floats:
        return np.where(k >= n, 1.0, betainc(np.maximum(n - k, 1), k + 1, 1 - target))

    return smallest_count(p, bdtrik(p, n, target), cdf)


@dataclass(frozen=True)
class Overdispersion:
    """Variation between units beyond chance. `target` is the pooled share.

    `phi` is the mean squared winsorised z (about 1 where only chance varies), `tau2` the variance between units on the
    scale of shares, never below 0. `usable` is False with fewer than ten units: then show plain limits.
    """

    target: float | None
    phi: float | None
    tau2: float | None
    usable: bool


def overdispersion(events: npt.ArrayLike, n: npt.ArrayLike, winsor: float = 0.1) -> Overdispersion:
    """Over-dispersion of shares, z-scores winsorised at the 10 % and 90 % quantiles (type 7).

    So outliers stay visible. tau2 = (I phi - (I - 1)) / (sum w - sum w**2 / sum w), w = 1 / s**2. A reader takes phi
    below 1 as 1. None without units, or where all or none had the event. Units without cases are left out.
    """
    x, size = counts(events, n)
    x, size = x[size > 0], size[size > 0]
    units = x.size
    target = float(x.sum() / size.sum()) if units else None
    if target is None or not 0 < target < 1:
        return Overdispersion(target, None, None, False)
    variance = target * (1 - target) / size
    z = (x / size - target) / np.sqrt(variance)
    low, high = np.quantile(z, [winsor, 1 - winsor])
    phi = float((np.clip(z, low, high) ** 2).mean())
    w = 1 / variance
    spare = float(w.sum() - (w**2).sum() / w.sum())
    tau2 = max((units * phi - (units - 1)) / spare, 0.0) if units > 1 else 0.0
    return Overdispersion(target, phi, tau2, units >= FEW_UNITS)


def additive_limits(
    target: float, n: npt.ArrayLike, tau2: float, probabilities: npt.ArrayLike = PROBABILITIES
) -> Floats:
    """Limits target + z sqrt(target (1 - target) / n + tau2), shape (units, probabilities).

    Cut to 0..1; NaN where n = 0. Additive, so that the limits of large units stay as wide as units really vary.
    """
    size, p = _grid(n, probabilities)
    z = np.array([normal_quantile(q) for q in p[0].tolist()])
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(target * (1 - target) / size + tau2)
        return np.where(size > 0, np.clip(target + z * spread, 0, 1), np.nan)
