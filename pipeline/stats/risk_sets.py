"""Survival without any of several kinds of event that are not known up to the same day.

A retreatment stands in the practice's own records up to the day of the data, surgery and loss are known up to the last
visit. To end all teeth at the last visit and still count retreatments beyond it would count events of teeth that are no
longer at risk; so each kind has a risk set of its own:

    S(t) = product over u <= t of (1 - sum over kinds p of d_p(u) / Y_p(u)),

the hazards of the kinds added (Aalen's estimator: Aalen OO, Ann Stat 1978;6:701-726) and put together as Kaplan and
Meier do, whose estimate it is with one kind (J Am Stat Assoc 1958;53:457-481). It takes what ends the observation of a
kind as independent of its events. tests/planted/simulated/test_clusters.py shows that it is not biased where visits are
random.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from . import influence
from ._common import FEW_CLUSTERS, Floats, Ints, cluster_codes, critical_value, number, z_value
from .survival import SurvivalAt, durations, unanimous


@dataclass(frozen=True, eq=False)
class EventFree:
    """Share without any event: one element an event time, as in `KaplanMeier`.

    `observed` are the sorted times of each kind, `followed` the longest time of each cluster in it, sorted. `n` units.
    """

    times: Floats
    events: Ints
    survival: Floats
    low: Floats
    high: Floats
    observed: list[Floats]
    followed: list[Floats]
    n: int
    confidence: float

    @property
    def last(self) -> float | None:
        """The longest time to which every kind is observed in somebody: nothing is known beyond it."""
        return min(float(t[-1]) for t in self.observed) if all(t.size for t in self.observed) else None

    def at(self, t: float) -> SurvivalAt | None:
        """Survival just after t; at risk are those of the smallest risk set. None beyond `last`."""
        if self.last is None or t > self.last:
            return None
        at_risk = min(own.size - int(np.searchsorted(own, t, side="left")) for own in self.observed)
        i = int(np.searchsorted(self.times, t, side="right")) - 1
        estimate = float(self.survival[i]) if i >= 0 else 1.0
        if 0 < estimate < 1:
            return SurvivalAt(float(t), estimate, number(float(self.low[i])), number(float(self.high[i])), at_risk)
        independent = min(own.size - int(np.searchsorted(own, t, side="left")) for own in self.followed)
        return SurvivalAt(float(t), estimate, *unanimous(estimate, independent, self.confidence), at_risk)


def event_free(
    time: npt.ArrayLike,
    event: npt.ArrayLike,
    kind: npt.ArrayLike,
    kinds: Sequence[int],
    unit: npt.ArrayLike,
    confidence: float = 0.95,
    cluster: npt.ArrayLike | None = None,
) -> EventFree:
    """Share without any event, from a row a unit and kind of event that is watched in it.

    Each row has the unit's `time` at risk of this kind, whether it ended by such an `event`, the `kind` (one of
    `kinds`) and the `unit`; a unit that is never watched for a kind has no row of it. `cluster` names each row's. A
    row's influence on ln S is the sum over u of (dN(u) - Y(u) d_p(u) / Y_p(u)) / Y_p(u) / (1 - h(u)), h the sum of
    hazards; variances, few clusters and limits as in `kaplan_meier`. ValueError if arrays differ in length.
    """
    t, seen = durations(time, event)
    units = cluster_codes(unit, t.size)
    p = np.searchsorted(np.asarray(kinds), np.asarray(kind).ravel())
    codes = units if cluster is None else cluster_codes(cluster, t.size)
    n = int(units.max(initial=-1)) + 1
    clusters = int(codes.max(initial=-1)) + 1
    few = clusters < min(FEW_CLUSTERS, n)
    z = critical_value(clusters, confidence) if few else z_value(confidence)
    of_kind = [p == k for k in range(len(kinds))]
    observed = [np.sort(t[own]) for own in of_kind]
    # Beyond the last day to which every kind is observed in somebody nothing is known.
    seen = seen & (t <= min(float(own.max(initial=-1.0)) for own in observed))
    times = np.unique(t[seen])
    at_risk = np.stack([own.size - np.searchsorted(own, times, side="left") for own in observed])
    d = np.stack([np.bincount(np.searchsorted(times, t[own & seen]), minlength=times.size) for own in of_kind])
    hazard = d / at_risk
    left = 1 - hazard.sum(axis=0)
    survival = np.cumprod(np.maximum(left, 0.0))
    alive = left > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.where(alive, (d * (at_risk - d) / at_risk**3).sum(axis=0) / left**2, 0.0)
        jump = np.where(alive, 1 / (at_risk * left), 0.0)
        plain = np.cumsum(apart)
        together = np.maximum(plain + _products(t, seen, p, units, codes, times, hazard, jump), 0)
        if few:
            together = together * clusters / (clusters - 1)
        half = z * np.sqrt(np.maximum(plain, together))
        spread = np.exp(half / np.abs(np.log(survival)))
        low, high = survival**spread, survival ** (1 / spread)
    followed = [_longest(t[own], codes[own]) for own in of_kind]
    return EventFree(times, d.sum(axis=0), survival, low, high, observed, followed, n, confidence)


def _longest(t: Floats, codes: Ints) -> Floats:
    """The longest time of each cluster that is there, sorted."""
    own = cluster_codes(codes, t.size)
    longest = np.zeros(int(own.max(initial=-1)) + 1)
    np.maximum.at(longest, own, t)
    return np.sort(longest)


def _products(
    t: Floats,
    seen: npt.NDArray[np.bool_],
    p: npt.NDArray[np.intp],
    units: Ints,
    codes: Ints,
    times: Floats,
    hazard: Floats,
    jump: Floats,
) -> Floats:
    """What clusters of several units add to the variance of ln S at each event time."""
    of_unit = np.zeros(int(units.max(initial=-1)) + 1, dtype=np.int64)
    of_unit[units] = codes
    together, begins = influence.shared(of_unit)
    place_of = np.full(of_unit.size, -1)
    place_of[together] = np.arange(together.size)
    rows = np.flatnonzero(place_of[units] >= 0)
    rows = rows[np.argsort(place_of[units[rows]], kind="stable")]  # the rows of a unit side by side
    first = np.flatnonzero(np.diff(place_of[units[rows]], prepend=-1))
    past = np.concatenate([np.zeros((1, len(hazard))), np.cumsum((hazard * jump).T, axis=0)])
    last = np.searchsorted(times, t[rows], side="right")  # how many event times a row was observed at
    kind = p[rows]
    own = np.where(seen[rows] & (last > 0), jump[kind, np.maximum(last - 1, 0)] if times.size else 0.0, 0.0)

    def moves(block: slice) -> Floats:
        place = np.arange(block.start + 1, block.stop + 1)
        by_row = np.where(place >= last[:, None], own[:, None], 0.0)
        by_row -= past[np.minimum(place, last[:, None]), kind[:, None]]
        return np.add.reduceat(by_row, first, axis=0)

    return influence.products(begins, together.size, times.size, moves)
