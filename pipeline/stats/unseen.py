"""Share that had an event by some time, where the event is seen only at visits: Turnbull's estimate and a bootstrap.

Sources: Turnbull BW, J R Stat Soc B 1976;38:290-295. Whole clusters (patients) drawn again: Efron B, Tibshirani RJ, An
Introduction to the Bootstrap, 1993. There is no simple error for Turnbull's estimate, and with visits on any day the
bootstrap's percentiles are only roughly right: they show how much hangs on few patients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import Floats, tail
from .survival import Turnbull, turnbull

_ROUNDS = 2_000
_TOLERANCE = 1e-3  # of the mean log-likelihood of a draw: less than what another draw changes


@dataclass(frozen=True, eq=False)
class EventBy:
    """Share with the event by each of `times`, one element a time.

    `estimate` spreads the mass of an interval evenly over it (a ramp); `at_least` and `at_most` are the least and the
    most that the masses allow. `low` and `high` are percentiles of the estimate over draws; NaN where there are fewer
    than two clusters. NaN everywhere beyond the last visit.
    """

    times: Floats
    estimate: Floats
    at_least: Floats
    at_most: Floats
    low: Floats
    high: Floats
    n: int
    converged: bool


def event_by(
    left: npt.ArrayLike,
    right: npt.ArrayLike,
    times: npt.ArrayLike,
    cluster: npt.ArrayLike | None = None,
    confidence: float = 0.95,
    draws: int = 200,
    seed: int = 1,
) -> EventBy:
    """Share with the event by `times`, for events known to lie in (left, right], right = inf where not seen yet.

    `cluster` says which subjects belong together (each its own without it); the seed fixes the answer. ValueError where
    left > right or the arrays differ in length.
    """
    lo, hi = np.asarray(left, dtype=float).ravel(), np.asarray(right, dtype=float).ravel()
    t = np.asarray(times, dtype=float).ravel()
    code = np.arange(lo.size) if cluster is None else np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    fit = turnbull(lo, hi)
    if code.size != lo.size:
        raise ValueError("one cluster a subject")
    if lo.size == 0:
        nothing = np.full(t.size, np.nan)
        return EventBy(t, nothing, nothing, nothing, nothing, nothing, 0, True)
    known = t <= max(lo.max(), hi[np.isfinite(hi)].max(initial=0.0))
    ramp = _ramp(fit, t)
    at_least = (fit.right <= t[:, None]) @ fit.mass
    at_most = ((fit.right <= t[:, None]) | (fit.left < t[:, None])) @ fit.mass
    again = _drawn_again(lo, hi, code, fit, draws, seed)
    if again is None:
        low = high = np.full(t.size, np.nan)
    else:
        low, high = np.quantile(again @ ramp.T, [tail(confidence), 1 - tail(confidence)], axis=0)
    estimate, at_least, at_most, low, high = (
        np.where(known, np.clip(f, 0, 1), np.nan) for f in (ramp @ fit.mass, at_least, at_most, low, high)
    )
    return EventBy(t, estimate, at_least, at_most, low, high, lo.size, fit.converged)


def _ramp(fit: Turnbull, t: Floats) -> Floats:
    """Share of each interval's mass that has happened by each time: times x intervals. Nothing of an open one has."""
    width = fit.right - fit.left
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.clip((t[:, None] - fit.left) / width, 0, 1)
    exact = (t[:, None] >= fit.right).astype(float)
    return np.where(np.isfinite(width) & (width > 0), part, exact)


def _drawn_again(
    lo: Floats, hi: Floats, code: npt.NDArray[np.intp], fit: Turnbull, draws: int, seed: int
) -> Floats | None:
    """Masses of each draw of whole clusters, draws x intervals; None with fewer than two clusters.

    A draw has no subject that the sample has not, so the sample's intervals hold a maximum of its likelihood as well.
    """
    m = int(code.max()) + 1
    if m < 2:
        return None
    pairs, pair = np.unique(np.stack([lo, hi], axis=1), axis=0, return_inverse=True)
    a, b = pairs[:, :1], pairs[:, 1:]
    exact = a == b
    inside = np.where(exact, (fit.left == a) & (fit.right == b), (fit.left >= a) & (fit.right <= b) & (fit.right > a))
    # What a subject's bounds hold is a run of neighbouring intervals, so sums over it are differences of running sums.
    first = inside.argmax(axis=1)
    sums = _Runs(first, first + inside.sum(axis=1))
    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(m, np.full(m, 1 / m), draws).astype(float)
    weights = np.zeros((draws, len(pairs)))
    np.add.at(weights.T, pair.ravel(), drawn.T[code])
    total = weights.sum(axis=1, keepdims=True)
    # Beginning near the sample's own answer saves most of the way; every interval keeps some mass to grow from.
    mass = np.tile(0.9 * fit.mass + 0.1 / fit.mass.size, (draws, 1))
    left = np.arange(draws)
    for _ in range(_ROUNDS):
        chance = sums.over(mass[left])
        share = np.divide(weights[left], chance, out=np.zeros_like(chance), where=weights[left] > 0)
        steepness = sums.spread(share, fit.mass.size) / total[left]
        open_ = steepness.max(axis=1) > 1 + _TOLERANCE
        left, steepness = left[open_], steepness[open_]
        if left.size == 0:
            break
        mass[left] *= steepness
    return mass


def _by_place(at: npt.NDArray[np.intp]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """How to sort by place, the places, and where each begins among the sorted."""
    order = np.argsort(at, kind="stable")
    places, begins = np.unique(at[order], return_index=True)
    return order, places, begins


class _Runs:
    """Sums over runs [first, stop) of columns, for many rows at once, and the way back."""

    def __init__(self, first: npt.NDArray[np.intp], stop: npt.NDArray[np.intp]) -> None:
        self.first, self.stop = first, stop
        self._ends = [_by_place(at) for at in (first, stop)]

    def over(self, values: Floats) -> Floats:
        """rows x columns -> rows x runs: the sum over each run."""
        running = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)
        # Rounding may leave a little less than nothing; what has any chance at all is far above this.
        inside: Floats = np.maximum(running[:, self.stop] - running[:, self.first], 1e-15)
        return inside

    def spread(self, values: Floats, columns: int) -> Floats:
        """rows x runs -> rows x columns: each column's sum of the runs that it is in."""
        steps = np.zeros((len(values), columns + 1))
        for (order, names, at), sign in zip(self._ends, (1, -1), strict=True):
            steps[:, names] += sign * np.add.reduceat(values[:, order], at, axis=1)
        return np.asarray(np.cumsum(steps[:, :-1], axis=1), dtype=float)
