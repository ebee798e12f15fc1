"""Weibull and log-logistic times by the program's own likelihood, so that it can be held against R's survreg.

The program fits splines; without a knot its `fit` is one of these, in other terms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.stats._common import Floats, z_value
from pipeline.stats.interval_censored import Family, Fit, _distribution, bounds, fit, spline


@dataclass(frozen=True, eq=False)
class LocationScale:
    """ln T = location + effects of terms + scale * W, with model-based errors; W Gumbel (Weibull) or logistic."""

    location: float
    scale: float
    effects: Floats
    effects_se: Floats
    loglik: float
    median: float  # without terms
    median_se: float
    family: Family
    fit: Fit

    def survival(self, times: npt.ArrayLike, confidence: float = 0.95) -> tuple[Floats, Floats, Floats]:
        """Share without the event by `times`, low and high: limits on the linear scale, turned back. Without terms."""
        rows = spline(np.log(np.asarray(times, dtype=float)), np.empty(0))
        covariance = self.fit.covariance[:2, :2]
        error = np.sqrt(np.einsum("ti,ij,tj->t", rows, covariance, rows))
        middle, z = rows @ self.fit.terms[:2], z_value(confidence)
        s, low, high = (_distribution(middle + sign * z * error, self.family)[1] for sign in (0, 1, -1))
        return s, low, high


def location_scale(
    left: npt.ArrayLike, right: npt.ArrayLike, family: Family = "weibull", terms: npt.ArrayLike | None = None
) -> LocationScale | None:
    """Weibull or log-logistic times of events in (left, right], right = inf where not seen; `terms` (subjects, terms).

    None where there is no maximum, as with nothing but events. ValueError where left is not before right.
    """
    lo, hi = bounds(left, right)
    x = np.empty((lo.size, 0)) if terms is None else np.asarray(terms, dtype=float).reshape(lo.size, -1)
    begun, ended = lo > 0, np.isfinite(hi)
    rows = [
        np.hstack([spline(np.log(np.where(there, t, 1)), np.empty(0)), x]) for t, there in ((lo, begun), (hi, ended))
    ]
    looks = np.concatenate([lo[begun], hi[ended]])
    middle = float(np.log(looks).mean()) if looks.size else 0.0
    start = np.r_[-middle, 1.0, np.zeros(x.shape[1])]
    rising = np.r_[False, True, np.zeros(x.shape[1], dtype=bool)]
    found = fit(rows[0], rows[1], begun, ended, start, rising, family)
    if found is None or found.terms[1] <= 0:
        return None
    level, slope = float(found.terms[0]), float(found.terms[1])
    at_half = math.log(math.log(2)) if family == "weibull" else 0.0
    median = math.exp((at_half - level) / slope)
    half_slope = np.r_[-1 / slope, -(at_half - level) / slope**2, np.zeros(x.shape[1])]
    effects = -found.terms[2:] / slope
    slopes = np.zeros((x.shape[1], found.terms.size))
    slopes[:, 1], slopes[:, 2:] = -effects / slope, -np.eye(x.shape[1]) / slope
    return LocationScale(
        location=-level / slope,
        scale=1 / slope,
        effects=effects,
        effects_se=np.sqrt(np.einsum("ti,ij,tj->t", slopes, found.covariance, slopes)),
        loglik=found.loglik,
        median=median,
        median_se=median * math.sqrt(float(half_slope @ found.covariance @ half_slope)),
        family=family,
        fit=found,
    )
