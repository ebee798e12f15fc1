"""Weibull life counted in whole uses: a smooth hazard by use number, from counts of uses.

An instrument that separates in its use j has a life between j - 1 and j uses; one retired whole after j uses a life
above j. Taking j for the exact life, as with times on a clock, would make short lives look longer than they are.
Sources: Nakagawa T, Osaki S, IEEE Trans Reliab 1975;R-24:300-301 (discrete Weibull; from memory); interval-censored
likelihood as in any text on reliability. Instruments are retired for wear, so the fit is too hopeful: a summary only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ._common import Floats, sample

FEW_EVENTS = 10  # with fewer a fit is tentative
_LARGEST = 5.0  # a log shape beyond this (150) is a fit running away, not an estimate


@dataclass(frozen=True)
class DiscreteWeibull:
    """S(j) = exp(-(j / scale)**shape) after j uses. Shape above 1: the hazard rises; `scale` in uses."""

    shape: float
    scale: float
    loglik: float
    n_events: int
    tentative: bool

    def hazard(self, uses: npt.ArrayLike) -> Floats:
        """Share of those that reached use j which fail in it, 1 - S(j) / S(j - 1); j counts from 1."""
        j = np.asarray(uses, dtype=float)
        return np.asarray(-np.expm1(((j - 1) / self.scale) ** self.shape - (j / self.scale) ** self.shape))


def discrete_weibull(uses: npt.ArrayLike, event: npt.ArrayLike) -> DiscreteWeibull | None:
    """Maximum likelihood from lives in whole uses; `event` is false where the instrument was retired whole after them.

    None with fewer than two different uses with an event, or where the likelihood has no maximum. ValueError if a count
    is not a whole number from 1. Fewer than ten events: `tentative`.
    """
    from scipy.optimize import minimize

    t, seen = sample(uses), np.asarray(event, dtype=bool).ravel()
    if t.size != seen.size or bool(np.any(t < 1)) or bool(np.any(t != np.floor(t))):
        raise ValueError("one event a life, and lives are whole numbers of uses from 1")
    failed_at, failed = np.unique(t[seen], return_counts=True)
    whole_after, whole = np.unique(t[~seen], return_counts=True)
    if failed_at.size < 2:
        return None

    def minus_loglik(logs: npt.NDArray[Any]) -> float:
        shape, scale = np.exp(np.clip(logs, -30, 30))
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            before, after = ((failed_at - 1) / scale) ** shape, (failed_at / scale) ** shape
            # ln(S(j-1) - S(j)), written so that small hazards keep their digits.
            value = failed @ (np.log(-np.expm1(before - after)) - before) - whole @ (whole_after / scale) ** shape
        return -float(value) if np.isfinite(value) else 1e300

    share = float(seen.sum() / t.sum())  # start from a hazard that is the same at every use
    start = np.array([0.0, -math.log(-math.log1p(-min(share, 0.99)))])
    best = minimize(minus_loglik, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 4000})
    if not best.success or abs(float(best.x[0])) > _LARGEST:
        return None
    shape, scale = (float(v) for v in np.exp(best.x))
    d = int(seen.sum())
    return DiscreteWeibull(shape, scale, -float(best.fun), d, d < FEW_EVENTS)
