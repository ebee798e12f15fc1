"""Share that had an event by some time, where the event is seen only at visits: bounds, a smooth curve, Turnbull's.

Bounds need no assumption: an event seen by t has happened, one seen not to have happened at t has not. The curve is a
natural cubic spline in ln t of the log cumulative hazard (Royston P, Parmar MKB, Stat Med 2002;21:2175-2197), by
maximum likelihood, with errors robust to clusters. It assumes that events follow a smooth curve and that visits do not
depend on them. Between visits that lie far apart smoothness alone would tell the curve, so limits there reach from the
lower one at the visits before to the upper one at those after: a share that only rises lies between. Turnbull's
estimate (J R Stat Soc B 1976;38:290-295) assumes no shape and has no simple error: it stands beside.

The numbers below were chosen by simulation (Weibull, log-normal, mixed and levelling-off times; visits at one, three
and any months; 15 to 800 units of one to three a cluster); common practice, no other source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import Floats, z_value
from .clustering import FEW_CLUSTERS
from .interval_censored import Fit, bounds, fit, spline
from .proportions import clustered_wilson, wilson
from .survival import Turnbull, turnbull

FEWEST_CLUSTERS = 10  # with fewer no curve is fitted
FEWEST_LOOKED = 5  # units looked at until a time, and from it on, below which the curve there is not told
_INNER_KNOTS = ((400, 3), (100, 2), (0, 1))  # from so many units on
_OUTER = 0.05  # share of visits outside the outer knots, on each side
_NEAREST, _LOOKS_A_PLACE = 5, 50  # how many visits aside limits reach: one more with every 50, up to 5
_PARTS = 5  # rows of a unit, where some can no longer have the event
_NO_MASS = 1e-3  # of Turnbull's masses, what is still on its way to 0
_CERTAIN = 1e-6  # a curve nearer to 0 or 1 than this says no more than "all" or "nobody"

Codes = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class EventBy:
    """Share with the event by each of `times`, one element a time; NaN is "cannot be told".

    `told_from` is the earliest time at which any unit was looked at (infinite where none was): before it neither
    `estimate` nor limits are told. `estimate` is that of the smooth curve, `low` and `high` its limits; where no curve
    can be fitted the limits are those of the bounds. `at_least` and `at_most` are what the data allow for these units,
    `at_least_low` and `at_most_high` limits of these for chance, one half of what confidence leaves on each side.
    `turnbull` spreads the mass of an interval evenly over it. `differs`: at that time, or the visits next to it, the
    limits of the curve hold nothing of what Turnbull's masses and chance allow; `low` and `high` then take that in.
    Everything is NaN beyond the last visit.
    """

    times: Floats
    estimate: Floats
    low: Floats
    high: Floats
    at_least: Floats
    at_most: Floats
    at_least_low: Floats
    at_most_high: Floats
    turnbull: Floats
    differs: npt.NDArray[np.bool_]
    told_from: float
    n: int
    clusters: int


def event_by(
    left: npt.ArrayLike,
    right: npt.ArrayLike,
    times: npt.ArrayLike,
    cluster: npt.ArrayLike | None = None,
    confidence: float = 0.95,
    first_look: npt.ArrayLike | None = None,
    last_look: npt.ArrayLike | None = None,
) -> EventBy:
    """Share with the event by `times`, for events known to lie in (left, right], right = inf where not seen yet.

    `cluster` says which units belong together (each its own without it). `first_look` is when a unit was first looked
    at, where that was before `left`; `last_look` when it last was, where that was after `right`, or before `left`: such
    a unit can no longer have the event, and that is known up to `left`. ValueError where left is not before right or
    the arrays differ in length.
    """
    lo, hi = bounds(left, right)
    t = np.asarray(times, dtype=float).ravel()
    code = np.arange(lo.size) if cluster is None else np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    first = np.where(lo > 0, lo, hi) if first_look is None else np.asarray(first_look, dtype=float).ravel()
    seen = np.where(np.isfinite(hi), hi, lo) if last_look is None else np.asarray(last_look, dtype=float).ravel()
    if not code.size == first.size == seen.size == lo.size:
        raise ValueError("one cluster and one first and last look a unit")
    # Sums of floats depend on their order: one of content, so that names and order of records change nothing.
    order = np.lexsort((code, seen, first, hi, lo))
    lo, hi, first, seen, code = lo[order], hi[order], first[order], seen[order], code[order]
    seen_not = np.minimum(lo, seen)
    if lo.size == 0:
        nothing = np.full(t.size, np.nan)
        return EventBy(t, *(nothing,) * 8, np.zeros(t.size, dtype=bool), np.inf, 0, 0)
    told_from = float(first.min())
    last = max(float(seen_not.max()), float(hi[np.isfinite(hi)].max(initial=0.0)))
    at_least, at_least_low, _ = _share(hi <= t[:, None], code, confidence)
    not_yet, not_yet_low, _ = _share(lo >= t[:, None], code, confidence)
    at_most, at_most_high = 1 - not_yet, 1 - not_yet_low
    row, until = _as_if_seen(lo, seen_not, seen)
    masses = turnbull(until, hi[row], tolerance=1e-4, rounds=2_000)
    ramp = _ramp(masses, t) @ masses.mass
    curve, low, high, differs = _curve(row, until, hi, seen_not, code, t, masses, confidence)
    # Both hold: the narrower one is the better, and the only one where there is no curve.
    by_bounds = ~(high - low < at_most_high - at_least_low)
    low, high = np.where(by_bounds, at_least_low, low), np.where(by_bounds, at_most_high, high)
    curve = np.where((low < curve) & (curve < high), curve, np.nan)
    before, known = t < told_from, t <= last

    def told(figure: Floats, where: npt.NDArray[np.bool_]) -> Floats:
        return np.where(where, np.clip(figure, 0, 1), np.nan)

    return EventBy(
        times=t,
        estimate=told(curve, known & ~before),
        low=told(low, known & ~before),
        high=told(high, known & ~before),
        at_least=told(at_least, known),
        at_most=told(at_most, known),
        at_least_low=told(at_least_low, known),
        at_most_high=told(at_most_high, known),
        turnbull=told(ramp, known & ~before),
        differs=known & ~before & np.isfinite(curve) & differs,
        told_from=told_from,
        n=lo.size,
        clusters=int(code.max()) + 1,
    )


def _share(happened: npt.NDArray[np.bool_], code: Codes, confidence: float) -> tuple[Floats, Floats, Floats]:
    """Share of units by time (times x units), with Wilson limits on what clusters leave of them."""
    n, m = code.size, int(code.max()) + 1
    sums = np.zeros((m, len(happened)))
    np.add.at(sums, code, happened.T.astype(float))
    size = np.bincount(code, minlength=m).astype(float)
    y = sums.sum(axis=0)
    low, high = clustered_wilson(y, n, m, (sums**2).sum(axis=0), size @ sums, size @ size, confidence)
    # All alike, the data cannot tell how alike units of a cluster are: each cluster then counts as one.
    all_low, all_high = wilson(np.where(y > 0, m, 0), m, confidence)
    alike = (y == 0) | (y == n)
    return y / n, np.where(alike, all_low, low), np.where(alike, all_high, high)


def _curve(
    row: Codes,
    until: Floats,
    hi: Floats,
    seen_not: Floats,
    code: Codes,
    t: Floats,
    masses: Turnbull,
    confidence: float,
) -> tuple[Floats, Floats, Floats, npt.NDArray[np.bool_]]:
    """Smooth curve at times t with its limits, and whether it differs from Turnbull's; NaN where it cannot be told."""
    nothing = np.full(t.size, np.nan)
    looks = _looks(seen_not, hi)
    looked_from, looked_until = np.where(seen_not > 0, seen_not, hi), np.where(np.isfinite(hi), hi, seen_not)
    told = ((looked_from <= t[:, None]).sum(axis=1) >= FEWEST_LOOKED) & (
        (looked_until >= t[:, None]).sum(axis=1) >= FEWEST_LOOKED
    )
    clusters = int(code.max()) + 1
    found = _fitted(row, until, hi, looks) if clusters >= FEWEST_CLUSTERS and told.any() else None
    if found is None:
        return nothing, nothing, nothing, np.zeros(t.size, dtype=bool)
    quantile = z_value(confidence)
    if clusters < FEW_CLUSTERS:
        from scipy.special import stdtrit

        quantile = float(stdtrit(clusters - 1, (1 + confidence) / 2))
    aside = min(_NEAREST, 1 + looks.size // _LOOKS_A_PLACE)
    before = looks[np.maximum(np.searchsorted(looks, t, side="right") - aside, 0)]
    after = looks[np.minimum(np.searchsorted(looks, t, side="left") + aside - 1, looks.size - 1)]
    places = np.stack([np.minimum(t, before), t, np.maximum(t, after)])
    middle, error = (x.reshape(places.shape) for x in _linear(*found, places.ravel(), code[row]))
    lows, highs = _event(middle - quantile * error), _event(middle + quantile * error)
    open_low, open_high = (
        x.reshape(places.shape)
        for x in _left_open(masses, looks, places.ravel(), (int(code.max()) + 1) / code.size, confidence)
    )
    differs = np.asarray(((highs < open_low) | (lows > open_high)).any(axis=0))
    # A curve that does not fit tells no limits of its own: they take in what the estimate without a shape leaves open.
    low = np.where(differs, np.minimum(lows[0], open_low.min(axis=0)), lows[0])
    high = np.where(differs, np.maximum(highs[2], open_high.max(axis=0)), highs[2])
    estimate = _event(middle[1])
    told &= (estimate > _CERTAIN) & (estimate < 1 - _CERTAIN)
    estimate, low, high = (np.where(told, figure, np.nan) for figure in (estimate, low, high))
    return estimate, low, high, differs


def _as_if_seen(lo: Floats, seen_not: Floats, seen: Floats) -> tuple[Codes, Floats]:
    """Rows for curves, which unit each is of and its left bound: _PARTS a unit where one can no longer have the event.

    Such a unit is known up to today, one that can still have it only up to its last visit: taken so, failures would
    count for more the later the time. So each is taken to be seen on as long as the others that were seen after it
    failed (quantiles of their last visits); as Fine JP, Gray RJ, J Am Stat Assoc 1999;94:496-509 (from memory)
    weight theirs.
    """
    failed = lo > seen_not
    if not failed.any():
        return np.arange(lo.size), lo
    others = np.sort(seen[~failed])
    begin = np.searchsorted(others, seen_not[failed])[:, None]
    place = begin + (np.arange(_PARTS) + 0.5) / _PARTS * (others.size - begin)
    as_long = np.append(others, 0.0)[np.minimum(place.astype(int), others.size)]
    left = np.tile(lo[:, None], _PARTS)
    left[failed] = np.clip(as_long, seen_not[failed][:, None], lo[failed][:, None])
    return np.repeat(np.arange(lo.size), _PARTS), left.ravel()


def _fitted(row: Codes, until: Floats, hi: Floats, looks: Floats) -> tuple[Fit, Floats] | None:
    """The spline and its knots, at quantiles of the logarithms of visits."""
    inner = next(number for units, number in _INNER_KNOTS if hi.size >= units)
    at = np.concatenate([[_OUTER], np.arange(1, inner + 1) / (inner + 1), [1 - _OUTER]])
    knots = np.unique(np.quantile(np.log(looks), at))
    lo, hi, whole = until, hi[row], hi.size / row.size
    begun, ended = lo > 0, np.isfinite(hi)
    at_left, at_right = (spline(np.log(np.where(there, x, 1)), knots) for there, x in ((begun, lo), (ended, hi)))
    # An exponential distribution with as many events at the middle visit as there are among the units.
    share = np.clip(ended.mean(), 0.05, 0.95)
    start = np.concatenate([[np.log(-np.log1p(-share)) - np.median(np.log(looks))], np.ones(at_left.shape[1] - 1)])
    rising = np.arange(start.size) > 0
    found = fit(at_left, at_right, begun, ended, start, rising, "weibull", np.full(row.size, whole))
    return None if found is None else (found, knots)


def _linear(fitted: Fit, knots: Floats, t: Floats, code: Codes) -> tuple[Floats, Floats]:
    """ln(-ln S) at times t and its error: robust to clusters, and never below the model's own."""
    rows = spline(np.log(np.maximum(t, 1e-9)), knots)
    variances = [np.einsum("ti,ij,tj->t", rows, c, rows) for c in (fitted.covariance, fitted.clustered(code))]
    return rows @ fitted.terms, np.sqrt(np.maximum(*variances))


def _event(linear: Floats) -> Floats:
    with np.errstate(over="ignore"):
        return np.asarray(-np.expm1(-np.exp(linear)), dtype=float)


def _looks(seen_not: Floats, hi: Floats) -> Floats:
    """When units were looked at, in order, as far as it tells anything."""
    return np.sort(np.concatenate([seen_not[seen_not > 0], hi[np.isfinite(hi)]]))


def _left_open(masses: Turnbull, looks: Floats, t: Floats, apart: float, confidence: float) -> tuple[Floats, Floats]:
    """Least and most that Turnbull's masses and chance allow at times t.

    Where the estimate is level it is about the share of those looked at there, so its limits are those of a share of as
    many; `apart` is the number of clusters over that of units.
    """
    real = masses.mass > _NO_MASS
    begins, ends = masses.left[real], masses.right[real]
    sums = np.concatenate([[0.0], np.cumsum(masses.mass[real])])

    def limits(level: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Of the level after so many masses: from where the last of them ends to where the next one begins."""
        since = np.concatenate([[0.0], ends])[level]
        until = np.concatenate([begins, [np.inf]])[level]
        n = np.searchsorted(looks, until, side="right") - np.searchsorted(looks, since, side="left")
        n = np.maximum(n * apart, 1.0)
        return wilson(np.minimum(sums[level], 1) * n, n, confidence)

    low, _ = limits(np.searchsorted(ends, t, side="right"))
    _, high = limits(np.searchsorted(begins, t, side="left"))
    return low, high


def _ramp(masses: Turnbull, t: Floats) -> Floats:
    """Share of each interval's mass that has happened by each time: times x intervals. Nothing of an open one has."""
    width = masses.right - masses.left
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.clip((t[:, None] - masses.left) / width, 0, 1)
    return np.where(np.isfinite(width), part, 0.0)
