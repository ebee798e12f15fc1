"""Several kinds of event of which each subject can have one: how many had each of them by a time (Aalen-Johansen).

Times as in `survival`. Sources: Aalen OO, Johansen S, Scand J Stat 1978;5:141-150; variance as in Marubini E, Valsecchi
MG, Analysing Survival Data, 1995; clusters: the infinitesimal jackknife, as in `survival`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from . import influence
from ._common import FEW_CLUSTERS, Floats, Ints, cluster_codes, critical_value, number, z_value
from .survival import SurvivalAt, durations, unanimous

_EQUAL = 1e-12  # an incidence of 1 may be this far from it in floating point


@dataclass(frozen=True, eq=False)
class CumulativeIncidence:
    """Share that had each kind of event by each time, other kinds competing.

    `times` are all observed times. Per cause: `incidence`, its error `se` as of independent units, `se_clustered` that
    allows for clusters, limits `low` and `high` by the larger (log-log; NaN while the incidence is 0 or 1). The
    incidences and the share without any event (`survival`) add up to 1. `followed` is the longest time of each cluster.
    """

    times: Floats
    at_risk: Ints
    survival: Floats
    incidence: dict[int, Floats]
    se: dict[int, Floats]
    low: dict[int, Floats]
    high: dict[int, Floats]
    se_clustered: dict[int, Floats]
    followed: Floats
    confidence: float

    def at(self, t: float, cause: int) -> SurvivalAt | None:
        """Cumulative incidence of a cause just after t; 0 of one that nobody had. None beyond the last observation.

        Limits of 0 and 1 are exact ones, of the clusters still observed then (`unanimous`).
        """
        if self.times.size == 0 or t > self.times[-1]:
            return None
        i = int(np.searchsorted(self.times, t, side="right")) - 1
        at_risk = int(self.at_risk[int(np.searchsorted(self.times, t, side="left"))])
        estimate = float(self.incidence[cause][i]) if i >= 0 and cause in self.incidence else 0.0
        if 0 < estimate < 1 - _EQUAL:
            low, high = number(float(self.low[cause][i])), number(float(self.high[cause][i]))
            return SurvivalAt(float(t), estimate, low, high, at_risk)
        independent = self.followed.size - int(np.searchsorted(self.followed, t, side="left"))
        return SurvivalAt(float(t), estimate, *unanimous(estimate, independent, self.confidence), at_risk)


def aalen_johansen(
    time: npt.ArrayLike, cause: npt.ArrayLike, confidence: float = 0.95, cluster: npt.ArrayLike | None = None
) -> CumulativeIncidence:
    """Cumulative incidence of competing events. `cause` is 0 where observation ended first, else the kind, 1, 2, ...

    CIF_k(t) = sum over event times s <= t of S(s-) d_k(s) / n(s). The error is the delta method's of Marubini and
    Valsecchi (other programs differ a little). Several subjects of a cluster add the products of their influences to
    its square; few clusters as in `kaplan_meier`. ValueError for negative causes or times, or lengths that differ.
    """
    t, _ = durations(time, np.ones(np.size(np.asarray(time)), dtype=bool))
    kind = np.asarray(cause).ravel().astype(np.int64)
    if kind.size != t.size or bool(np.any(kind < 0)):
        raise ValueError("one cause a time: 0 for the end of observation, else 1, 2, ...")
    codes = cluster_codes(cluster, t.size)
    clusters = int(codes.max(initial=-1)) + 1
    few = clusters < min(FEW_CLUSTERS, t.size)
    z = critical_value(clusters, confidence) if few else z_value(confidence)
    times, where = np.unique(t, return_inverse=True)
    ended = np.bincount(where, minlength=times.size)
    n = np.cumsum(ended[::-1])[::-1]
    d = np.bincount(where, weights=kind > 0, minlength=times.size)
    survival = np.cumprod(1 - d / n, dtype=np.float64)
    before = np.concatenate(([1.0], survival[:-1]))
    with np.errstate(divide="ignore", invalid="ignore"):
        # Where all at risk have an event survival is 0 and the term's factor (I(t) - I(s)) is 0 from then on.
        hazard_variance = np.where(n > d, d / (n * (n - d)), 0.0)
    incidence, se, se_clustered, low, high = {}, {}, {}, {}, {}
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
        together = np.maximum(variance + _incidence_products(where, kind, k, codes, n, d, dk, before), 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            clustered = np.sqrt(together * clusters / (clusters - 1) if few else together)
        error = np.sqrt(np.maximum(variance, 0))
        known = (curve > 0) & (curve < 1 - _EQUAL)
        inside = np.where(known, curve, 0.5)  # any figure will do where the limits are undefined
        wider = np.maximum(error, clustered)
        spread = np.exp(z * np.where(known, wider, 0) / (inside * np.abs(np.log(inside))))
        incidence[k], se[k], se_clustered[k] = curve, error, clustered
        low[k], high[k] = np.where(known, inside**spread, np.nan), np.where(known, inside ** (1 / spread), np.nan)
    followed = np.full(clusters, -np.inf)
    np.maximum.at(followed, codes, t)
    return CumulativeIncidence(
        times, n, survival, incidence, se, low, high, se_clustered, np.sort(followed), confidence
    )


def _incidence_products(
    where: npt.NDArray[np.intp], kind: Ints, k: int, codes: Ints, n: Ints, d: Ints, dk: Ints, before: Floats
) -> Floats:
    """What clusters add to the variance of the incidence of cause k at each observed time.

    A subject moves it by its own event's S(s-) / n(s), less what its being at risk adds to the hazard of k, less what
    it takes from S(s-) at all later events of k.
    """
    alive = n > d
    jump = np.where(alive, 1 / np.where(alive, n - d, 1), 0.0)
    past = np.concatenate([[0.0], np.cumsum(d / n * jump)])  # of ln S, up to and including each time
    step = before * dk / n
    curve = np.concatenate([[0.0], np.cumsum(step)])
    own_risk = np.concatenate([[0.0], np.cumsum(step / n)])
    through = np.concatenate([[0.0], np.cumsum(step * past[:-1])])
    units, begins = influence.shared(codes)
    last, cause = where[units] + 1, kind[units]
    own = np.where(cause == k, (before / n)[last - 1], 0.0)
    of_survival = np.where(cause > 0, jump[last - 1], 0.0) - past[last]

    events = np.flatnonzero(d > 0)  # between events nothing moves

    def moves(block: slice) -> Floats:
        place = events[block] + 1
        until = np.minimum(place, last[:, None])
        own_event = np.where(place >= last[:, None], own[:, None], 0.0)
        later = of_survival[:, None] * (curve[place] - curve[until]) - through[until]
        return np.asarray(own_event - own_risk[until] - later)

    out = np.concatenate([[0.0], influence.products(begins, units.size, events.size, moves)])
    return out[np.searchsorted(events, np.arange(n.size), side="right")]
