"""How many times as often: the ratio of two shares within strata (Mantel-Haenszel).

Source: Greenland S, Robins JM, Biometrics 1985;41:55-68 (estimate and the variance of its logarithm, which holds for
few large strata and for many sparse ones). Clusters: what canals of one patient add to that variance are the products
of their influences, as in `influence`. Few events: exact limits of a ratio of rates given each stratum's events,
binomial by Przyborowski J, Wilenski H, Biometrika 1940;31:313-323, over strata as in Breslow NE, Day NE, Statistical
Methods in Cancer Research II, 1987, section 3 (from memory); shares are taken as rates, which makes the limits a little
wider.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ._common import FEW_CLUSTERS, Floats, Ints, cluster_codes, clustered_p, critical_value, tail, two_sided_p, z_value

FEWEST_EXPECTED = 5  # events of one side under equal shares; with fewer exact limits count as well (Cochran 1954)


@dataclass(frozen=True)
class RiskRatio:
    """Share of the exposed over share of the reference; None: not estimable.

    No event among the exposed: ratio 0; none in the reference: no ratio. `strata_used` hold units of both groups,
    `n_used` units in them. `p` is two-sided, of the same statement as the limits. `design_effect` is the variance over
    that of independent units.
    """

    ratio: float | None
    low: float | None
    high: float | None
    strata_used: int
    n_used: int
    p: float | None = None
    design_effect: float = 1.0


def clustered_ratio(
    stratum: npt.ArrayLike,
    exposed: npt.ArrayLike,
    cluster: npt.ArrayLike,
    events: npt.ArrayLike,
    n: npt.ArrayLike,
    confidence: float = 0.95,
) -> RiskRatio:
    """Pooled ratio with limits that allow for clusters, from a row a stratum, side and cluster: its events of n units.

    `stratum` counts from 0; `exposed` is 1 or 0. The variance of ln ratio is Greenland and Robins' and what units of
    one cluster add to it, never less than theirs; below 40 clusters of several units times m / (m - 1), with Student's
    t. Where fewer than five events are expected of one side, limits also hold the exact ones, and p is the larger; with
    none on one side there are exact limits alone, events of one cluster counted as one. ValueError if lengths differ.
    """
    k, side, y, size = (np.asarray(v, dtype=np.int64).ravel() for v in (stratum, exposed, events, n))
    if not k.size == side.size == y.size == size.size:
        raise ValueError("one stratum, side, cluster, count of events and of units a row")
    codes = cluster_codes(cluster, k.size)
    t = np.zeros((int(k.max(initial=-1)) + 1, 2, 2))
    np.add.at(t[:, :, 0], (k, 1 - side), y)
    np.add.at(t[:, :, 1], (k, 1 - side), size - y)
    found, variance = _pooled(t)
    used = np.all(t.sum(axis=2) > 0, axis=1)
    kept = used[k] if k.size else np.zeros(0, dtype=bool)
    k, side, y, size, codes = k[kept], side[kept], y[kept], size[kept], codes[kept]
    codes = cluster_codes(codes, codes.size)
    clusters = int(codes.max(initial=-1)) + 1
    if not y.sum():
        return found
    exact = _exact(t[used], _clusters_of(codes[y > 0]) / float(y.sum()), confidence)
    if variance is None or found.ratio is None:
        # Everybody had the event, or one side had none: only the latter is told by counts.
        return found if exact is None else replace(found, low=exact[0], high=exact[1], p=exact[2])
    together, few = variance, clusters < min(FEW_CLUSTERS, found.n_used)
    if clusters < found.n_used:
        together = max(variance + _products(t, k, side, codes, y, size, clusters), 0.0)
        if few and clusters > 1:
            together *= clusters / (clusters - 1)
    together = max(variance, together)
    se, statistic = math.sqrt(together), math.log(found.ratio) / math.sqrt(together)
    half = (critical_value(clusters, confidence) if few else z_value(confidence)) * se
    p = clustered_p(statistic, clusters) if few else two_sided_p(statistic)
    if math.isnan(half):  # one patient has all canals
        return found
    found = _with_limits(found, half, p, together / variance)
    return found if exact is None else _wider(found, exact)


def _pooled(t: Floats) -> tuple[RiskRatio, float | None]:
    """The ratio without limits, and the variance of its logarithm; None where nothing varies or one side has none."""
    t = t[np.all(t.sum(axis=2) > 0, axis=1)]
    a, c = t[:, 0, 0], t[:, 1, 0]
    n1, n0 = t[:, 0].sum(axis=1), t[:, 1].sum(axis=1)
    n = n1 + n0
    exposed, reference = float((a * n0 / n).sum()), float((c * n1 / n).sum())
    used, units = len(t), int(n.sum())
    if reference == 0:
        return RiskRatio(None, None, None, used, units), None
    ratio = exposed / reference
    if exposed == 0:
        return RiskRatio(ratio, None, None, used, units), None
    variance = float((((a + c) * n1 * n0 - a * c * n) / n**2).sum()) / (exposed * reference)
    # Nothing varies where everybody has the event: no width would claim certainty.
    return RiskRatio(ratio, None, None, used, units), variance if variance > 0 else None


def _with_limits(found: RiskRatio, half: float, p: float, effect: float) -> RiskRatio:
    assert found.ratio is not None
    spread = math.exp(half)
    return RiskRatio(
        found.ratio, found.ratio / spread, found.ratio * spread, found.strata_used, found.n_used, p, effect
    )


def _wider(found: RiskRatio, exact: tuple[float, float | None, float]) -> RiskRatio:
    low, high, p = exact
    assert found.low is not None and found.high is not None and found.p is not None
    outer = None if high is None else max(found.high, high)
    return replace(found, low=min(found.low, low), high=outer, p=max(found.p, p))


def _clusters_of(codes: Ints) -> int:
    return int(np.unique(codes).size)


def _products(t: Floats, k: Ints, side: Ints, codes: Ints, y: Ints, size: Ints, clusters: int) -> float:
    """What units of one cluster add to the variance of ln ratio.

    A unit moves it by its event less its side's share in the stratum, times the other side's n over all, over the sum
    that its side adds up to.
    """
    n = t.sum(axis=2)
    whole = n.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = t[:, :, 0] / n
        weight = n[:, ::-1] / whole[:, None]
    sums = np.nansum(t[:, :, 0] * np.where(np.all(n > 0, axis=1)[:, None], weight, 0), axis=0)
    at = (k, 1 - side)
    scale = weight[at] / sums[1 - side] * np.where(side == 1, 1, -1)
    by_cluster = np.bincount(codes, weights=scale * (y - share[at] * size), minlength=clusters)
    single = (scale**2 * (y * (1 - share[at]) ** 2 + (size - y) * share[at] ** 2)).sum()
    return float((by_cluster**2).sum() - single)


def _exact(t: Floats, independent: float, confidence: float) -> tuple[float, float | None, float] | None:
    """Exact (low, high, p) given each stratum's events; None where both sides have enough of them.

    `independent` is the share of the events that are a cluster's first: where one side has none, so many count.
    """
    n1, n0 = t[:, 0].sum(axis=1), t[:, 1].sum(axis=1)
    events = (t[:, 0, 0] + t[:, 1, 0]).astype(int)
    expected = float((events * n1 / (n1 + n0)).sum())
    a, total = int(t[:, 0, 0].sum()), int(events.sum())
    if min(expected, total - expected) >= FEWEST_EXPECTED and 0 < a < total:
        return None
    alpha = tail(confidence)

    def tails(psi: float) -> tuple[float, float]:
        """P(at most a) and P(at least a) events of the exposed where their share is psi times the other's."""
        q = n1 * psi / (n1 * psi + n0)
        if a in (0, total):
            alone = float(np.exp((events * independent * np.log(1 - q if a == 0 else q)).sum()))
            return (alone, 1.0) if a == 0 else (1.0, alone)
        chances = np.ones(1)
        for many, chance in zip(events.tolist(), q.tolist(), strict=True):
            chances = np.convolve(chances, _binomial(many, chance))
        return float(chances[: a + 1].sum()), float(chances[a:].sum())

    low = 0.0 if a == 0 else _crossing(lambda psi: tails(psi)[1] - alpha)
    high = None if a == total else _crossing(lambda psi: alpha - tails(psi)[0])
    return low, high, min(1.0, 2 * min(tails(1.0)))


def _binomial(n: int, q: float) -> Floats:
    from scipy.special import gammaln

    k = np.arange(n + 1)
    ways = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    return np.asarray(np.exp(ways + k * math.log(q) + (n - k) * math.log1p(-q)))


def _crossing(rising: Callable[[float], float]) -> float:
    """Where a function that rises with the ratio is 0, by bisection of the logarithm."""
    low, high = -25.0, 25.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(math.exp(middle)) < 0 else (low, middle)
    return math.exp((low + high) / 2)
