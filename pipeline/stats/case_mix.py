"""One unit's events against what a model of all others' cases expects of its own: observed to expected.

Indirect standardisation with a model: Breslow NE, Day NE, Statistical Methods in Cancer Research II, 1987, chapter 2;
DeLong ER et al., Stat Med 1997;16:2645-2664 (from memory). The expected count is an estimate: its error is part of the
limits and of the interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from . import proportions, rates, shrinkage
from ._common import Floats
from .funnel import FEW_UNITS, PROBABILITIES
from .risk_model import RiskModel

FEWEST_SHRUNK = 5  # units below which no common distribution is made up for them; common practice, no source


@dataclass(frozen=True)
class Expected:
    """What is expected of `n` cases, and the variance of observed less expected if the unit is like all others.

    The variance is that of chance, of cases of one patient being alike, and of the model being an estimate.
    """

    kind: str
    n: int
    expected: float
    variance: float


def expected(model: RiskModel, at: npt.ArrayLike, cluster: npt.ArrayLike) -> Expected:
    """What `model` expects of the cases `at`, shape (cases, terms), of the patients `cluster`."""
    x = np.asarray(at, dtype=float)
    p = model.expected(x)
    weight = p * (1 - p) if model.kind == "share" else p
    code = np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    together = float((np.bincount(code, weights=np.sqrt(weight)) ** 2).sum())
    slope = model.slope(x)
    own = (1 - model.likeness) * float(weight.sum()) + model.likeness * together
    return Expected(model.kind, p.size, float(p.sum()), own + float(slope @ model.covariance @ slope))


def limits(of: Expected, probabilities: npt.ArrayLike = PROBABILITIES, phi: float = 1.0) -> Floats:
    """Whole counts r, the smallest with F(r) >= p, of a unit like all others: beta-binomial, or negative binomial.

    The distribution has the expected count and `phi` times its variance, but never less than a binomial (Poisson) one.
    """
    from scipy.special import betaln, gammaln

    e, v = of.expected, of.variance * phi
    if of.kind == "share":
        k, n, share = np.arange(of.n + 1.0), float(of.n), of.expected / of.n
        over = v / (n * share * (1 - share))
        log = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
        alike = min((over - 1) / (n - 1), 1 - 1e-9) if n > 1 else 0.0
        if alike > 1e-9:
            strength = 1 / alike - 1
            a, b = share * strength, (1 - share) * strength
            log = log + betaln(k + a, n - k + b) - betaln(a, b)
        else:
            log = log + k * math.log(share) + (n - k) * math.log1p(-share)
    else:
        k = np.arange(math.ceil(e + 40 * math.sqrt(v) + 40) + 1.0)
        if v > e * (1 + 1e-9):
            size = e**2 / (v - e)
            log = gammaln(k + size) - gammaln(size) - gammaln(k + 1)
            log = log + size * math.log(size / (size + e)) + k * math.log(e / (size + e))
        else:
            log = k * math.log(e) - e - gammaln(k + 1)
    reached = np.cumsum(np.exp(log)) + 1e-12
    at = np.searchsorted(reached, np.asarray(probabilities, dtype=float))
    return np.asarray(k[np.minimum(at, k.size - 1)], dtype=float)


def alike_units(of: Expected) -> float:
    """As many independent cases as tell as much: never more than there are."""
    binomial = of.expected * (1 - of.expected / of.n) if of.kind == "share" else of.expected
    return min(of.n, of.n * binomial / of.variance)


def interval(of: Expected, observed: float, confidence: float = 0.95) -> tuple[float, float]:
    """Limits of observed / expected: Wilson's (of rates Garwood's) of as many independent cases as tell as much."""
    share = alike_units(of) / of.n
    if of.kind == "share":
        low, high = proportions.wilson(observed * share, of.n * share, confidence)
        return float(low) * of.n / of.expected, float(high) * of.n / of.expected
    low, high = rates.garwood(observed * share, of.expected * share, confidence)
    return float(low), float(high)


def dispersion(units: list[tuple[float, Expected]], winsor: float = 0.1) -> float:
    """How much more units (observed, expected) vary than chance lets them: mean squared winsorised z, 1 or more.

    1 with fewer than ten units, of which it cannot be told. Spiegelhalter DJ, Stat Med 2005;24:1185-1202.
    """
    if len(units) < FEW_UNITS:
        return 1.0
    z = np.array([(x - of.expected) / math.sqrt(of.variance) for x, of in units])
    low, high = np.quantile(z, [winsor, 1 - winsor])
    return max(float((np.clip(z, low, high) ** 2).mean()), 1.0)


def shrunken(units: list[tuple[float, Expected]], target: float) -> list[float] | None:
    """Observed / expected of each unit drawn towards that of all, as far as chance explains it. None of too few units.

    Shares: beta-binomial (moments) of the adjusted shares target * observed / expected; rates: gamma-Poisson (maximum
    likelihood); each of as many independent cases as tell as much. That of all where they differ no more than chance.
    """
    if len(units) < FEWEST_SHRUNK:
        return None
    ratio = np.array([x / of.expected for x, of in units])
    common = [sum(x for x, _ in units) / sum(of.expected for _, of in units)] * len(units)
    n = np.array([alike_units(of) for _, of in units])
    if units[0][1].kind == "share":
        share = np.minimum(target * ratio, 1.0)
        beta = shrinkage.beta_prior(share * n, n)
        if beta is None:
            return common
        return [float(v) / target for v in shrinkage.beta_binomial(share * n, n, beta)]
    told = n / np.array([of.n for _, of in units])
    exposure = np.array([of.expected for _, of in units]) * told
    gamma = shrinkage.gamma_prior(ratio * exposure, exposure)
    if gamma is None or math.isinf(gamma.shape):
        return common
    return [float(v) for v in shrinkage.gamma_poisson(ratio * exposure, exposure, gamma)]
