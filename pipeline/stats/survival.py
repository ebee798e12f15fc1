"""Time to an event when some have not had it yet: Kaplan-Meier, log-rank, hazard by use, competing and unseen events.

Times are durations in any unit (days, uses), not negative; `event` is true where the event was seen and false where
observation ended before it. At equal times events come before ends of observation.

Sources: Kaplan EL, Meier P, J Am Stat Assoc 1958;53:457-481. Greenwood M, Rep Public Health 33, 1926. Log-log limits:
Kalbfleisch JD, Prentice RL, The Statistical Analysis of Failure Time Data, 1980. Interval of the median: Brookmeyer R,
Crowley J, Biometrics 1982;38:29-41. Log-rank: Mantel N, Cancer Chemother Rep 1966;50:163-170; weights: Gehan EA,
Biometrika 1965;52:203-223, and Tarone RE, Ware J, Biometrika 1977;64:156-160. Competing events: Aalen OO, Johansen S,
Scand J Stat 1978;5:141-150; variance as in Marubini E, Valsecchi MG, Analysing Survival Data, 1995. Seen only at
visits: Turnbull BW, J R Stat Soc B 1976;38:290-295.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ._common import Floats, Ints, chi2_p, number, sample, z_value
from .proportions import wilson

_EQUAL = 1e-12  # a product of fractions that is 1/2 by hand may be this far from 0.5 in floating point


@dataclass(frozen=True)
class SurvivalAt:
    """Survival at one time; limits None where undefined (before the first event, or at 0)."""

    time: float
    estimate: float
    low: float | None
    high: float | None
    at_risk: int


@dataclass(frozen=True, eq=False)
class KaplanMeier:
    """Survival curve: one element an event time (times without an event are no steps).

    `censored` counts the ends of observation from an event time up to the next; `n` all subjects, `observed` all times,
    sorted. `se` is Greenwood's. NaN where undefined: se and limits once survival is 0.
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

    @property
    def last(self) -> float | None:
        """The longest observation: nothing is known beyond it."""
        return float(self.observed[-1]) if self.n else None

    def at(self, t: float) -> SurvivalAt | None:
        """Survival just after t, and how many were still observed at t. None beyond the last observation."""
        if self.n == 0 or t > self.observed[-1]:
            return None
        at_risk = self.n - int(np.searchsorted(self.observed, t, side="left"))
        i = int(np.searchsorted(self.times, t, side="right")) - 1
        if i < 0:
            return SurvivalAt(float(t), 1.0, None, None, at_risk)
        return SurvivalAt(
            float(t), float(self.survival[i]), number(float(self.low[i])), number(float(self.high[i])), at_risk
        )

    def median(self) -> float | None:
        """The smallest time with survival at or below one half; None while survival stays above."""
        return self._first(self.survival)

    def median_interval(self) -> tuple[float | None, float | None]:
        """Where the lower and the upper limit first reach one half; None where they do not."""
        return self._first(self.low), self._first(self.high)

    def _first(self, curve: Floats) -> float | None:
        reached = np.flatnonzero(curve <= 0.5 + _EQUAL)  # NaN compares false
        return float(self.times[reached[0]]) if reached.size else None


def kaplan_meier(
    time: npt.ArrayLike,
    event: npt.ArrayLike,
    confidence: float = 0.95,
    interval: Literal["log-log", "plain"] = "log-log",
) -> KaplanMeier:
    """Kaplan-Meier estimate with Greenwood's error.

    `log-log` limits are S**exp(-/+ z * theta), theta = se / (S |ln S|); `plain` ones S -/+ z * se, cut to 0..1. Where
    survival is 0 the error is undefined, and so are both kinds of limit: NaN, as R's survfit has NA. So it is before
    the first event (survival 1), where the curve has no step: `at` answers 1 without limits. Subjects are taken as
    independent.
    ValueError if a time is missing or negative, or if the two arrays differ in length.
    """
    if interval not in ("log-log", "plain"):
        raise ValueError(f"interval is log-log or plain, not {interval!r}")
    t, seen = _durations(time, event)
    z = z_value(confidence)
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
        if interval == "log-log":
            spread = np.exp(z * se / (survival * np.abs(np.log(survival))))
            low, high = survival**spread, survival ** (1 / spread)
        else:
            low, high = np.clip(survival - z * se, 0, 1), np.clip(survival + z * se, 0, 1)
    return KaplanMeier(
        times, at_risk, d, censored, survival, se, low, high, observed, t.size, int(seen.sum()), confidence
    )


def _durations(time: npt.ArrayLike, event: npt.ArrayLike) -> tuple[Floats, npt.NDArray[np.bool_]]:
    t = sample(time)
    seen = np.asarray(event).ravel().astype(bool)
    if t.size != seen.size:
        raise ValueError(f"{t.size} times but {seen.size} events: one of each a subject")
    if t.size and t.min() < 0:
        raise ValueError("durations are not negative: an event came before the start")
    return t, seen


@dataclass(frozen=True)
class LogRank:
    """Comparison of survival between groups, in the order of `groups` (sorted).

    `expected` events are those under equal hazards, always unweighted. `chi2` and `p` are None where nothing can be
    compared (one group, no events, or never two groups at risk together).
    """

    groups: list[str | int | float | bool]
    observed: list[int]
    expected: list[float]
    chi2: float | None
    df: int
    p: float | None


def logrank(
    time: npt.ArrayLike,
    event: npt.ArrayLike,
    group: npt.ArrayLike,
    weights: Literal["wilcoxon", "tarone-ware"] | None = None,
) -> LogRank:
    """Log-rank test of groups; `wilcoxon` weighs an event time by the number at risk, `tarone-ware` by its root."""
    if weights not in (None, "wilcoxon", "tarone-ware"):
        raise ValueError(f"weights are None, wilcoxon or tarone-ware, not {weights!r}")
    t, seen = _durations(time, event)
    names, code = np.unique(np.asarray(group).ravel(), return_inverse=True)
    if code.size != t.size:
        raise ValueError(f"{t.size} times but {code.size} groups: one of each a subject")
    times, d = np.unique(t[seen], return_counts=True)
    risk = np.empty((names.size, times.size))
    deaths = np.empty_like(risk)
    for g in range(names.size):
        own, own_events = np.sort(t[code == g]), np.sort(t[(code == g) & seen])
        risk[g] = own.size - np.searchsorted(own, times, side="left")
        deaths[g] = np.searchsorted(own_events, times, side="right") - np.searchsorted(own_events, times, side="left")
    n = risk.sum(axis=0)
    fair = risk / n * d
    weight = {None: np.ones_like(n), "wilcoxon": n, "tarone-ware": np.sqrt(n)}[weights]
    # Hypergeometric variance at each event time; a lone subject at risk (n = 1) decides nothing.
    spread = weight**2 * d * (n - d) / np.maximum(n - 1, 1)
    share = risk / n
    covariance = np.diag((spread * share).sum(axis=1)) - (share * spread) @ share.T
    difference = ((deaths - fair) * weight).sum(axis=1)
    expected = fair.sum(axis=1)
    # Ranks tell how many groups really meet: groups never at risk together add nothing.
    df = int(np.linalg.matrix_rank(covariance, hermitian=True)) if times.size else 0
    chi2 = p = None
    if df:
        # Rounding can leave a difference of nothing a hair below 0.
        chi2 = max(float(difference @ np.linalg.pinv(covariance, hermitian=True) @ difference), 0.0)
        p = chi2_p(chi2, df)
    return LogRank(names.tolist(), [int(v) for v in deaths.sum(axis=1)], expected.tolist(), chi2, df, p)


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
    t, seen = _durations(time, event)
    if bool(np.any(t < 1)) or bool(np.any(t != np.floor(t))):
        raise ValueError("uses are whole numbers from 1")
    uses = np.arange(1, int(t.max(initial=0)) + 1)
    ended = np.bincount(t.astype(np.int64), minlength=uses.size + 1)[1:]
    d = np.bincount(t[seen].astype(np.int64), minlength=uses.size + 1)[1:]
    at_risk = np.cumsum(ended[::-1])[::-1]
    low, high = wilson(d, at_risk, confidence)
    return DiscreteHazard(uses, at_risk, d, d / at_risk, low, high)


@dataclass(frozen=True, eq=False)
class CumulativeIncidence:
    """Share that had each kind of event by each time, other kinds competing.

    `times` are all observed times. Per cause: `incidence`, its error `se`, limits `low` and `high` (log-log; NaN while
    the incidence is 0 or 1). The incidences and the share without any event (`survival`) add up to 1.
    """

    times: Floats
    at_risk: Ints
    survival: Floats
    incidence: dict[int, Floats]
    se: dict[int, Floats]
    low: dict[int, Floats]
    high: dict[int, Floats]

    def at(self, t: float, cause: int) -> SurvivalAt | None:
        """Cumulative incidence of a cause just after t. None beyond the last observation."""
        if self.times.size == 0 or t > self.times[-1]:
            return None
        i = int(np.searchsorted(self.times, t, side="right")) - 1
        later = int(np.searchsorted(self.times, t, side="left"))
        at_risk = int(self.at_risk[later])
        if i < 0:
            return SurvivalAt(float(t), 0.0, None, None, at_risk)
        low, high = number(float(self.low[cause][i])), number(float(self.high[cause][i]))
        return SurvivalAt(float(t), float(self.incidence[cause][i]), low, high, at_risk)


def aalen_johansen(time: npt.ArrayLike, cause: npt.ArrayLike, confidence: float = 0.95) -> CumulativeIncidence:
    """Cumulative incidence of competing events. `cause` is 0 where observation ended first, else the kind, 1, 2, ...

    CIF_k(t) = sum over event times s <= t of S(s-) d_k(s) / n(s). The error is the delta method's of Marubini and
    Valsecchi (other programs differ a little). ValueError for negative causes or times.
    """
    t, _ = _durations(time, np.ones(np.size(np.asarray(time)), dtype=bool))
    kind = np.asarray(cause).ravel().astype(np.int64)
    if kind.size != t.size or bool(np.any(kind < 0)):
        raise ValueError("one cause a time: 0 for the end of observation, else 1, 2, ...")
    z = z_value(confidence)
    times, where = np.unique(t, return_inverse=True)
    ended = np.bincount(where, minlength=times.size)
    n = np.cumsum(ended[::-1])[::-1]
    d = np.bincount(where, weights=kind > 0, minlength=times.size)
    survival = np.cumprod(1 - d / n, dtype=np.float64)
    before = np.concatenate(([1.0], survival[:-1]))
    with np.errstate(divide="ignore", invalid="ignore"):
        # Where all at risk have an event survival is 0 and the term's factor (I(t) - I(s)) is 0 from then on.
        hazard_variance = np.where(n > d, d / (n * (n - d)), 0.0)
    incidence, se, low, high = {}, {}, {}, {}
    for k in np.unique(kind[kind > 0]).tolist():
        dk = np.bincount(where, weights=kind == k, minlength=times.size)
        curve = np.cumsum(before * dk / n)
        cross = before * dk / n**2
        # The squares of I(t) - I(s) multiplied out, so that every sum over s is a running one.
        variance = (
            curve**2 * np.cumsum(hazard_variance)
            - 2 * curve * np.cumsum(curve * hazard_variance)
            + np.cumsum(curve**2 * hazard_variance)
            + np.cumsum(before**2 * dk * (n - dk) / n**3)
            - 2 * (curve * np.cumsum(cross) - np.cumsum(curve * cross))
        )
        error = np.sqrt(np.maximum(variance, 0))
        known = (curve > 0) & (curve < 1 - _EQUAL)
        inside = np.where(known, curve, 0.5)  # any figure will do where the limits are undefined
        spread = np.exp(z * np.where(known, error, 0) / (inside * np.abs(np.log(inside))))
        incidence[k], se[k] = curve, error
        low[k], high[k] = np.where(known, inside**spread, np.nan), np.where(known, inside ** (1 / spread), np.nan)
    return CumulativeIncidence(times, n, survival, incidence, se, low, high)


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
