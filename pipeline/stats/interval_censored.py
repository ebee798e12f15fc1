"""Smooth models of times to an event that is seen only at visits: the event lies in (left, right].

In all of them a function of the share with the event by t is linear in unknown terms: ln(-ln S) with slope in ln t is
the Weibull, the log odds the log-logistic distribution, ln(-ln S) with a natural cubic spline in ln t the model of
Royston and Parmar. Their likelihoods are concave, so that Newton's steps find the one maximum.

Sources: interval censoring, Odell PM, Anderson KM, D'Agostino RB, Biometrics 1992;48:951-959. Spline: Royston P, Parmar
MKB, Stat Med 2002;21:2175-2197. Errors robust to clusters: Liang KY, Zeger SL, Biometrika 1986;73:13-22.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from ._common import Floats

Bools = npt.NDArray[np.bool_]
Family = Literal["weibull", "loglogistic"]

_MOST_STEPS = 200
_SETTLED = 1e-9  # the largest slope of the mean log-likelihood at its maximum
_LARGEST = 1e4  # a term beyond this is a model running away
_WIDEST = 6.5  # ln of a cumulative hazard at which nobody is left; beyond it doubles end


@dataclass(frozen=True, eq=False)
class Fit:
    """Maximum of the likelihood: `terms`, and the inverse of the observed information (0 for terms at their bound).

    `scores` are each subject's part of the slope, shape (subjects, terms).
    """

    terms: Floats
    loglik: float
    covariance: Floats
    scores: Floats

    def clustered(self, code: npt.NDArray[np.intp]) -> Floats:
        """The terms' covariance from sums over clusters (numbered from 0), times m / (m - 1) for m clusters."""
        m = int(code.max()) + 1
        sums = np.zeros((m, self.terms.size))
        np.add.at(sums, code, self.scores)
        return np.asarray(self.covariance @ (sums.T @ sums) @ self.covariance * m / (m - 1), dtype=float)


def fit(
    at_left: Floats,
    at_right: Floats,
    begun: Bools,
    ended: Bools,
    start: Floats,
    rising: Bools,
    family: Family,
    weight: Floats | None = None,
) -> Fit | None:
    """Maximum likelihood of P(event by t) = G(row of t @ terms), G of the family.

    `at_left` and `at_right` are rows of both bounds, shape (subjects, terms), disregarded where not `begun` (left is 0)
    or not `ended` (right is infinite). `rising` terms stay at or above 0. `weight` says how much of a subject each row
    is (all of one without it). None where there is no maximum.
    """
    terms = np.array(start, dtype=float)
    n = len(at_left)
    given = (at_left, at_right, begun, ended, family, np.ones(n) if weight is None else weight)
    with np.errstate(over="ignore", under="ignore"):
        loglik, scores, bend = _likelihood(terms, *given)
        for _ in range(_MOST_STEPS):
            if not math.isfinite(loglik):
                return None
            slope = scores.sum(axis=0)
            try:
                step, free = _step(terms, slope, -bend, rising)
                # How much more likelihood a step brings says whether the maximum is reached, whatever the scale.
                gain = float(slope @ step)
                if not math.isfinite(gain) or float(np.abs(terms).max()) > _LARGEST:
                    return None
                if gain < _SETTLED * n:
                    inverse = np.linalg.inv(-bend[np.ix_(free, free)])
                    covariance = np.zeros((terms.size, terms.size))
                    covariance[np.ix_(free, free)] = inverse
                    return Fit(terms, loglik, covariance, scores) if bool(np.all(np.diag(inverse) > 0)) else None
            except np.linalg.LinAlgError:
                return None
            stepped = _shortened(terms, step, loglik, given)
            if stepped is None:
                return None
            terms = stepped
            loglik, scores, bend = _likelihood(terms, *given)
    return None


def _step(terms: Floats, slope: Floats, information: Floats, rising: Bools) -> tuple[Floats, Bools]:
    """Newton's step to where no rising term is below 0, and which terms it leaves free: the others end at 0."""
    fixed = rising & (terms <= 0) & (slope <= 0)
    while True:
        step = np.where(fixed, -terms, 0.0)
        free = ~fixed
        step[free] = np.linalg.solve(information[np.ix_(free, free)], (slope - information @ step)[free])
        below = free & rising & (terms + step < 0)
        if not below.any():
            return step, free
        fixed |= below


def _shortened(
    terms: Floats, step: Floats, loglik: float, given: tuple[Floats, Floats, Bools, Bools, Family, Floats]
) -> Floats | None:
    """The terms after the longest half of half ... of the step that is likelier."""
    share = 1.0
    while share > 1e-12:
        new = np.asarray(terms + share * step, dtype=float)
        if _likelihood(new, *given)[0] >= loglik - 1e-12 * abs(loglik):
            return new
        share /= 2
    return None


def _likelihood(
    terms: Floats, at_left: Floats, at_right: Floats, begun: Bools, ended: Bools, family: Family, weight: Floats
) -> tuple[float, Floats, Floats]:
    """Log-likelihood, each subject's slope, and the matrix of second derivatives."""
    by_left, after_left, f_left, df_left = _distribution(at_left @ terms, family)
    by_right, after_right, f_right, df_right = _distribution(at_right @ terms, family)
    by_left, after_left = np.where(begun, by_left, 0), np.where(begun, after_left, 1)
    by_right, after_right = np.where(ended, by_right, 1), np.where(ended, after_right, 0)
    chance = np.where(by_left > 0.5, after_left - after_right, by_right - by_left)  # the difference of small numbers
    if not bool(np.all(chance > 1e-300)):
        return -math.inf, np.zeros_like(at_left), np.zeros((terms.size, terms.size))
    right = np.where(ended, f_right / chance, 0)
    left = np.where(begun, f_left / chance, 0)
    slopes = right[:, None] * at_right - left[:, None] * at_left
    scores = weight[:, None] * slopes
    right2 = (weight * np.where(ended, df_right / chance, 0))[:, None] * at_right
    left2 = (weight * np.where(begun, df_left / chance, 0))[:, None] * at_left
    bend = at_right.T @ right2 - at_left.T @ left2 - slopes.T @ scores
    return float(weight @ np.log(chance)), scores, bend


def _distribution(linear: Floats, family: Family) -> tuple[Floats, Floats, Floats, Floats]:
    """Share with and without the event, and the first and second derivative of the former."""
    if family == "weibull":
        hazard = np.exp(np.minimum(linear, _WIDEST))
        without = np.exp(-hazard)
        first = hazard * without
        return -np.expm1(-hazard), without, first, first * (1 - hazard)
    share = 1 / (1 + np.exp(-linear))
    without = 1 / (1 + np.exp(linear))
    first = share * without
    return share, without, first, first * (without - share)


def spline(log_time: npt.ArrayLike, knots: Floats) -> Floats:
    """Natural cubic spline in log time: rows of a constant and of terms whose sums rise where no term is below 0.

    With knots k_0 < ... < k_m the shape is (times, m + 1). The slope is that of the first term below k_0, that of the
    last above k_m; between, quadratic and smooth. With fewer than three knots it is the same everywhere (Weibull).
    """
    x = np.asarray(log_time, dtype=float)
    steps = [x]  # integrals of functions that rise from 0 to 1 about each inner knot, the first of 1 itself
    if knots.size > 2:
        for a, b, c in zip(knots[:-2], knots[1:-1], knots[2:], strict=True):
            cubes = _cube(x - a) / (b - a) - _cube(x - b) * (1 / (b - a) + 1 / (c - b)) + _cube(x - c) / (c - b)
            steps.append(cubes / (3 * (c - a)))
    steps.append(np.zeros_like(x))
    return np.stack([np.ones_like(x), *(s - t for s, t in pairwise(steps))], axis=1)


def _cube(x: Floats) -> Floats:
    return np.asarray(np.maximum(x, 0) ** 3, dtype=float)


def bounds(left: npt.ArrayLike, right: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Both bounds as arrays. ValueError where they differ in number, or left is missing, below 0 or not before right.

    A visit tells between which two days something happened, never the day itself.
    """
    lo, hi = np.asarray(left, dtype=float).ravel(), np.asarray(right, dtype=float).ravel()
    if lo.size != hi.size or not bool(np.all((lo >= 0) & (lo < hi) & np.isfinite(lo))):
        raise ValueError("one left and one right bound a subject, left from 0 on and before right")
    return lo, hi
