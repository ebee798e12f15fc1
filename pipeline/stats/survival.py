"""Time to an event when some have not had it yet: Kaplan-Meier, hazard by use, and events seen only at visits.

Times are durations in any unit (days, uses), not negative; `event` is true where the event was seen and false where
observation ended before it. At equal times events come before ends of observation.

Sources: Kaplan EL, Meier P, J Am Stat Assoc 1958;53:457-481. Greenwood M, Rep Public Health 33, 1926. Log-log limits:
Kalbfleisch JD, Prentice RL, The Statistical Analysis of Failure Time Data, 1980. Interval of the median: Brookmeyer R,
Crowley J, Biometrics 1982;38:29-41. Seen only at visits: Turnbull BW, J R Stat Soc B 1976;38:290-295. Clusters
(several teeth of one patient): infinitesimal jackknife summed by cluster, Lin DY, Wei LJ, J Am Stat Assoc
1989;84:1074-1078. Nobody with the event yet: Clopper CJ, Pearson ES, Biometrika 1934;26:404-413.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from . import influence
from ._common import FEW_CLUSTERS, Floats, Ints, cluster_codes, critical_value, number, sample, tail, z_value
from .proportions import wilson

_EQUAL = 1e-12  # a product of fractions that is 1/2 by hand may be this far from 0.5 in floating point


@dataclass(frozen=True)
class SurvivalAt:
    """Survival (or incidence) at one time; limits None where one cluster alone is observed: nothing tells them."""

    time: float
    estimate: float
    low: float | None
    high: float | None
    at_risk: int


@dataclass(frozen=True, eq=False)
class KaplanMeier:
    """Survival curve: one element an event time (times without an event are no steps).

    `censored` counts the ends of observation from an event time up to the next; `n` all subjects, `observed` all times,
    sorted; `followed` the longest time of each cluster, sorted. `se` is Greenwood's, `se_clustered` the one that allows
    for clusters; limits go by the larger. NaN where undefined: errors and limits once survival is 0.
    """

    times: Floats
    at_risk: Ints
    events: Ints
    censored: Ints
    survival: Floats
    se: Floats
    low: Floats
    high: Floats
    observed: Floats
    n: int
    n_events: int
    confidence: float
    se_clustered: Floats
    followed: Floats

    @property
    def last(self) -> float | None:
        """The longest observation: nothing is known beyond it."""
        return float(self.observed[-1]) if self.n else None

    def at(self, t: float) -> SurvivalAt | None:
        """Survival just after t, and how many were still observed at t. None beyond the last observation.

        Where all or none survive the limits are exact ones, of the clusters still observed then (`unanimous`).
        """
        if self.n == 0 or t > self.observed[-1]:
            return None
        at_risk = self.n - int(np.searchsorted(self.observed, t, side="left"))
        i = int(np.searchsorted(self.times, t, side="right")) - 1
        estimate = float(self.survival[i]) if i >= 0 else 1.0
        if 0 < estimate < 1:
            return SurvivalAt(float(t), estimate, number(float(self.low[i])), number(float(self.high[i])), at_risk)
        independent = self.followed.size - int(np.searchsorted(self.followed, t, side="left"))
        return SurvivalAt(float(t), estimate, *unanimous(estimate, independent, self.confidence), at_risk)

    def median(self) -> float | None:
        """The smallest time with survival at or below one half; None while survival stays above."""
        return self._first(self.survival)

    def median_interval(self) -> tuple[float | None, float | None]:
        """Where the lower and the upper limit first reach one half; None where they do not."""
        return self._first(self.low), self._first(self.high)

    def _first(self, curve: Floats) -> float | None:
        reached = np.flatnonzero(curve <= 0.5 + _EQUAL)  # NaN compares false
        return float(self.times[reached[0]]) if reached.size else None


def unanimous(share: float, independent: int, confidence: float) -> tuple[float | None, float | None]:
    """Exact limits of a survival (or incidence) of 1 or 0, from so many independent ones still observed.

    Those whose observation ended before are left out, which is cautious: one tail of Clopper and Pearson, as if all
    units of a cluster were one. None where one or none is left: one patient tells nothing of others.
    """
    if independent < 2:
        return None, None
    bound = tail(confidence) ** (1 / independent)
    return (bound, 1.0) if share > 0.5 else (0.0, 1 - bound)


def kaplan_meier(
    time: npt.ArrayLike,
    event: npt.ArrayLike,
    confidence: float = 0.95,
    interval: Literal["log-log", "plain"] = "log-log",
    cluster: npt.ArrayLike | None = None,
) -> KaplanMeier:
    """Kaplan-Meier estimate with Greenwood's error, and one that allows for clusters where `cluster` names them.

    `log-log` limits are S**exp(-/+ z * theta), theta = se / (S |ln S|); `plain` ones S -/+ z * se, cut to 0..1. Where
    survival is 0 the error is undefined, and so are both kinds of limit: NaN, as R's survfit has NA; `at` gives exact
    ones there, and before the first event.

    Clusters: se = S sqrt(sum over clusters of (sum of influences)**2), a subject's influence being the sum over event
    times u of (dN(u) - Y(u) d(u) / n(u)) / (n(u) - d(u)). With one subject a cluster that is Greenwood's error. Below
    40 clusters se**2 is times m / (m - 1) and z Student's t with m - 1 degrees of freedom. Limits are never narrower
    than those of independent subjects.
    ValueError if a time is missing or negative, or if the arrays differ in length.
    """
    if interval not in ("log-log", "plain"):
        raise ValueError(f"interval is log-log or plain, not {interval!r}")
    t, seen = durations(time, event)
    codes = cluster_codes(cluster, t.size)
    clusters = int(codes.max(initial=-1)) + 1
    few = clusters < min(FEW_CLUSTERS, t.size)
    z = critical_value(clusters, confidence) if few else z_value(confidence)
    observed = np.sort(t)
    times, d = np.unique(t[seen], return_counts=True)
    at_risk = t.size - np.searchsorted(observed, times, side="left")
    ended = np.sort(t[~seen])
    before = np.searchsorted(ended, times, side="left")  # censored strictly before each event time
    censored = np.diff(np.append(before, ended.size))
    survival = np.cumprod(1 - d / at_risk, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.cumsum(d / (at_risk * (at_risk - d)))
        se = np.where(survival > 0, survival * np.sqrt(relative), np.nan)
        together = np.maximum(relative + _km_products(t, seen, codes, times, d, at_risk), 0)
        if few:
            together = together * clusters / (clusters - 1)
        se_clustered = np.where(survival > 0, survival * np.sqrt(together), np.nan)
        half = z * np.maximum(se, se_clustered)
        if interval == "log-log":
            spread = np.exp(half / (survival * np.abs(np.log(survival))))
            low, high = survival**spread, survival ** (1 / spread)
        else:
            low, high = np.clip(survival - half, 0, 1), np.clip(survival + half, 0, 1)
    followed = np.full(clusters, -np.inf)
    np.maximum.at(followed, codes, t)
    return KaplanMeier(
        *(times, at_risk, d, censored, survival, se, low, high, observed, t.size, int(seen.sum()), confidence),
        se_clustered=se_clustered,
        followed=np.sort(followed),
    )


def _km_products(t: Floats, seen: npt.NDArray[np.bool_], codes: Ints, times: Floats, d: Ints, at_risk: Ints) -> Floats:
    """What clusters add to the variance of ln S at each event time; 0 from where S is 0."""
    alive = at_risk > d
    jump = np.where(alive, 1 / np.where(alive, at_risk - d, 1), 0.0)
    past = np.concatenate([[0.0], np.cumsum(d / at_risk * jump)])
    units, begins = influence.shared(codes)
    last = np.searchsorted(times, t[units], side="right")  # how many event times a unit was observed at
    own = np.where(seen[units] & (last > 0), jump[np.maximum(last - 1, 0)] if times.size else 0.0, 0.0)

    def moves(block: slice) -> Floats:
        place = np.arange(block.start + 1, block.stop + 1)
        by_unit: Floats = np.where(place >= last[:, None], own[:, None], 0.0)
        return np.asarray(by_unit - past[np.minimum(place, last[:, None])])

    return influence.products(begins, units.size, times.size, moves)


def durations(time: npt.ArrayLike, event: npt.ArrayLike) -> tuple[Floats, npt.NDArray[np.bool_]]:
    t = sample(time)
    seen = np.asarray(event).ravel().astype(bool)
    if t.size != seen.size:
        raise ValueError(f"{t.size} times but {seen.size} events: one of each a subject")
    if t.size and t.min() < 0:
        raise ValueError("durations are not negative: an event came before the start")
    return t, seen


@dataclass(frozen=True, eq=False)
class DiscreteHazard:
    """Hazard by use number: share of the instruments that reached use j whose event came in it, with Wilson limits."""

    uses: Ints
    at_risk: Ints
    events: Ints
    hazard: Floats
    low: Floats
    high: Floats


def discrete_hazard(time: npt.ArrayLike, event: npt.ArrayLike, confidence: float = 0.95) -> DiscreteHazard:
    """Hazard at every use number from 1 to the highest, d_j / n_j. `time` counts uses, the last one included.

    A censored instrument lived through its last use. ValueError if a count is not a whole number from 1.
    """
    t, seen = durations(time, event)
    if bool(np.any(t < 1)) or bool(np.any(t != np.floor(t))):
        raise ValueError("uses are whole numbers from 1")
    uses = np.arange(1, int(t.max(initial=0)) + 1)
    ended = np.bincount(t.astype(np.int64), minlength=uses.size + 1)[1:]
    d = np.bincount(t[seen].astype(np.int64), minlength=uses.size + 1)[1:]
    at_risk = np.cumsum(ended[::-1])[::-1]
    low, high = wilson(d, at_risk, confidence)
    return DiscreteHazard(uses, at_risk, d, d / at_risk, low, high)


@dataclass(frozen=True, eq=False)
class Turnbull:
    """Where an event seen only at visits can have happened: a mass in each half-open interval (left, right].

    Inside an interval the curve is undefined: draw a ramp or a box. `right` is infinite where the last mass lies beyond
    every visit. There is no simple standard error: resample patients.
    """

    left: Floats
    right: Floats
    mass: Floats
    loglik: float
    converged: bool

    def survival_bounds(self, t: float) -> tuple[float, float]:
        """Lowest and highest survival at t that the masses allow; equal outside the intervals."""
        low = 1 - float(self.mass[(self.left < t) | (self.right <= t)].sum())
        high = 1 - float(self.mass[self.right <= t].sum())
        return max(low, 0.0), min(high, 1.0)


def turnbull(left: npt.ArrayLike, right: npt.ArrayLike, tolerance: float = 1e-6, rounds: int = 20_000) -> Turnbull:
    """Turnbull's estimate by EM for events known to lie in (left, right], right = inf where not seen yet.

    left = right is an event at an exactly known time. ValueError where left > right. An empty sample has no mass.
    EM stops when the log-likelihood is certainly within n * tolerance of its maximum: it is concave, so the steepest
    way up bounds what is left. `converged` is False if that took more than `rounds`.
    """
    lo, hi = np.asarray(left, dtype=float).ravel(), np.asarray(right, dtype=float).ravel()
    if lo.size != hi.size or bool(np.any(np.isnan(lo) | np.isnan(hi))) or bool(np.any(lo > hi)):
        raise ValueError("one left and one right bound a subject, left not after right")
    if lo.size == 0:
        return Turnbull(lo, hi, lo, 0.0, True)
    # Order among equal values: an exact time opens just before it, right bounds close at it, left ones open after.
    opens = np.stack([lo, np.where(lo == hi, -1.0, 1.0)], axis=1)
    closes = np.stack([hi, np.zeros_like(hi)], axis=1)
    bounds, key = np.unique(np.concatenate([opens, closes]), axis=0, return_inverse=True)
    key = key.ravel()
    open_key, close_key = key[: lo.size], key[lo.size :]
    is_open = np.isin(np.arange(len(bounds)), open_key)
    inner = np.flatnonzero(is_open[:-1] & ~is_open[1:])  # an opening followed at once by a closing
    pairs, times_seen = np.unique(np.stack([open_key, close_key], axis=1), axis=0, return_counts=True)
    # What a subject's bounds hold is a run of neighbouring intervals: sums over it are differences of running sums.
    first, stop = np.searchsorted(inner, pairs[:, 0]), np.searchsorted(inner, pairs[:, 1])

    def chances() -> Floats:
        running = np.concatenate([[0.0], np.cumsum(mass)])
        return np.asarray(np.maximum(running[stop] - running[first], 1e-15), dtype=float)

    mass = np.full(inner.size, 1 / inner.size)
    converged = False
    for _ in range(rounds):
        share = times_seen / chances()
        ends = np.bincount(first, share, inner.size + 1) - np.bincount(stop, share, inner.size + 1)
        steepness = np.cumsum(ends[:-1]) / lo.size
        if steepness.max() <= 1 + tolerance:
            converged = True
            break
        mass = mass * steepness
    loglik = float(times_seen @ np.log(chances()))
    return Turnbull(bounds[inner, 0], bounds[inner + 1, 0], mass, loglik, converged)
