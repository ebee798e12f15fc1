"""Many small units (lots, dentists) drawn towards their common figure. Show the raw counts beside it.

Source of gamma-Poisson: Efron B, Hastie T, Computer Age Statistical Inference, 2016, section 6.1. Intervals would be
too short with few units; none are given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import Floats, counts


@dataclass(frozen=True)
class GammaPrior:
    """Gamma distribution of rates: shape and scale (mean rate shape * scale). `shape` infinite: all units alike."""

    shape: float
    scale: float


def gamma_prior(events: npt.ArrayLike, exposure: npt.ArrayLike = 1.0) -> GammaPrior | None:
    """Gamma prior of unit rates by maximum likelihood of the negative binomial. None without units, exposure or events.

    Where the counts vary no more than Poisson, the likelihood grows without end in the shape: shape inf, scale 0, and
    the pooled rate is everybody's estimate.
    """
    from scipy.optimize import minimize
    from scipy.special import gammaln

    x, e = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(exposure, dtype=float))
    x, e = x.ravel()[e.ravel() > 0], e.ravel()[e.ravel() > 0]
    if x.size == 0 or x.sum() == 0:
        return None
    rate = float(x.sum() / e.sum())
    expected = rate * e
    # Score of the likelihood where the shape is infinite: positive means that the counts vary more than Poisson.
    if float(((x - expected) ** 2 - x).sum()) <= 0:
        return GammaPrior(math.inf, 0.0)
    pairs, seen = np.unique(np.stack([x, e]), axis=1, return_counts=True)
    k, t = pairs

    def loss(theta: Floats) -> float:
        shape, mean = np.exp(theta)
        beta = shape / mean
        terms = gammaln(k + shape) - gammaln(shape) + shape * np.log(beta / (beta + t)) + k * np.log(t / (beta + t))
        return -float((seen * terms).sum())

    found = minimize(loss, np.log([1.0, rate]), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    shape, mean = (float(v) for v in np.exp(found.x))
    return GammaPrior(shape, mean / shape)


def gamma_poisson(events: npt.ArrayLike, exposure: npt.ArrayLike, prior: GammaPrior) -> Floats:
    """Rates drawn towards the prior's mean, (events + shape) / (exposure + 1/scale), one a unit."""
    x, e = np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
    if math.isinf(prior.shape):
        raise ValueError("the units do not differ beyond chance: show the pooled rate")
    return np.asarray((x + prior.shape) / (e + 1 / prior.scale), dtype=float)


@dataclass(frozen=True)
class BetaPrior:
    """Beta distribution of shares: a and b (mean a / (a + b))."""

    a: float
    b: float


def beta_prior(events: npt.ArrayLike, n: npt.ArrayLike) -> BetaPrior | None:
    """Beta prior of unit shares by moments. None where the units vary no more than chance, or with fewer than two."""
    x, size = counts(events, n)
    x, size = x[size > 0], size[size > 0]
    if x.size < 2:
        return None
    total = float(size.sum())
    p = float(x.sum()) / total
    # Between-unit variance of one-way analysis of variance, from the squared deviations weighted by size.
    between = float((size * (x / size - p) ** 2).sum()) - (x.size - 1) * p * (1 - p)
    spare = total - float((size**2).sum()) / total - (x.size - 1)
    if between <= 0 or spare <= 0:
        return None
    strength = p * (1 - p) / (between / spare) - 1
    return BetaPrior(p * strength, (1 - p) * strength) if strength > 0 else None


def beta_binomial(events: npt.ArrayLike, n: npt.ArrayLike, prior: BetaPrior) -> Floats:
    """Shares drawn towards the prior's mean, (events + a) / (n + a + b), one a unit."""
    x, size = counts(events, n)
    return (x + prior.a) / (size + prior.a + prior.b)
