"""Two groups compared within strata (tooth type x lesion x kind): Mantel-Haenszel, and the crude comparison beside it.

A table is [[exposed with event, exposed without], [reference with event, reference without]]; counts of independent
units.

Sources: Mantel N, Haenszel W, J Natl Cancer Inst 1959;22:719-748. Limits of the odds ratio: Robins J, Breslow N,
Greenland S, Biometrics 1986;42:311-323. Risk difference: Greenland S, Robins JM, Biometrics 1985;41:55-68, its limits:
Sato T, Biometrics 1989;45:1323-1324, which hold for few large strata and for many small ones alike. Equal odds
ratios: Breslow NE, Day NE, Statistical Methods in Cancer Research I, IARC 1980, with the correction of Tarone RE,
Biometrika 1985;72:91-95. Crude odds ratio: Woolf B, Ann Hum Genet 1955;19:251-253.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import Floats, chi2_p, number, z_value
from .proportions import newcombe_difference


@dataclass(frozen=True)
class MantelHaenszel:
    """Comparison within strata; None is "not estimable".

    `strata_used` strata hold `n_used` units of both groups: they make the risk difference. `strata_dropped` had only
    one of the two groups and tell nothing. The odds ratio, the tests and Breslow-Day further need units with and
    without the event: `strata_used_odds`, `strata_dropped_odds`. Differences are exposed minus reference, as shares
    (-1 to 1).
    """

    odds_ratio: float | None
    odds_low: float | None
    odds_high: float | None
    risk_difference: float | None
    difference_low: float | None
    difference_high: float | None
    chi2: float | None
    p: float | None
    chi2_corrected: float | None
    p_corrected: float | None
    breslow_day: float | None
    breslow_day_p: float | None
    tarone: float | None
    tarone_p: float | None
    strata_used: int
    n_used: float
    strata_dropped: int
    strata_used_odds: int
    strata_dropped_odds: int


def mantel_haenszel(tables: npt.ArrayLike, confidence: float = 0.95, design_effect: float = 1.0) -> MantelHaenszel:
    """Pooled odds ratio, pooled risk difference and tests over tables of shape (strata, 2, 2).

    `design_effect` (1 or more, see `between_clusters`) multiplies the variances behind both intervals and divides both
    statistics of the null test; Breslow-Day and Tarone stay those of independent units (see `equal_odds_p`).

    Empty strata (no units at all) are neither used nor counted. The odds ratio is None where one of its two sums is 0;
    limits of the risk difference are None where its estimated variance is 0 (every group all or none), for no width
    would claim certainty. A small Breslow-Day p-value means that one pooled odds ratio misleads; a large one, with few
    events, means nothing. ValueError for another shape or for counts that are negative or missing.
    """
    t = np.asarray(tables, dtype=float).reshape(-1, 2, 2) if np.size(tables) == 0 else np.asarray(tables, dtype=float)
    if t.ndim != 3 or t.shape[1:] != (2, 2):
        raise ValueError(f"tables have the shape (strata, 2, 2), not {t.shape}")
    if not bool(np.all(t >= 0)):
        raise ValueError("counts are not negative and not missing")
    if not design_effect >= 1:
        raise ValueError("a design effect is 1 or more: clusters never narrow an interval here")
    z = z_value(confidence) * math.sqrt(design_effect)
    t = t[t.sum(axis=(1, 2)) > 0]
    rows = np.all(t.sum(axis=2) > 0, axis=1)
    both = rows & np.all(t.sum(axis=1) > 0, axis=1)
    difference, low, high = _risk_difference(t[rows], z)
    odds, odds_low, odds_high = _odds_ratio(t[both], z)
    chi2, corrected = (None if v is None else v / design_effect for v in _null_test(t[both]))
    bd, tarone = _equal_odds(t[both], odds)
    df = int(both.sum()) - 1
    return MantelHaenszel(
        odds_ratio=odds,
        odds_low=odds_low,
        odds_high=odds_high,
        risk_difference=difference,
        difference_low=low,
        difference_high=high,
        chi2=chi2,
        p=None if chi2 is None else chi2_p(chi2, 1),
        chi2_corrected=corrected,
        p_corrected=None if corrected is None else chi2_p(corrected, 1),
        breslow_day=bd,
        breslow_day_p=None if bd is None else chi2_p(bd, df),
        tarone=tarone,
        tarone_p=None if tarone is None else chi2_p(tarone, df),
        strata_used=int(rows.sum()),
        n_used=float(t[rows].sum()),
        strata_dropped=int((~rows).sum()),
        strata_used_odds=int(both.sum()),
        strata_dropped_odds=int((~both).sum()),
    )


def _cells(t: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats]:
    """a, b, c, d, exposed units, reference units, all units: one element a stratum."""
    a, b, c, d = t[:, 0, 0], t[:, 0, 1], t[:, 1, 0], t[:, 1, 1]
    return a, b, c, d, a + b, c + d, a + b + c + d


_NO_SPREAD = 1e-12  # what rounding leaves of a variance of 0


def _risk_difference(t: Floats, z: float) -> tuple[float | None, float | None, float | None]:
    if len(t) == 0:
        return None, None, None
    a, _, c, _, n1, n0, n = _cells(t)
    weight = float(np.sum(n1 * n0 / n))
    difference = float(np.sum((a * n0 - c * n1) / n)) / weight
    # A stratum with one unit of a group has no spread of its own, and the limits of Greenland and Robins take it as
    # certain; Sato's get the spread from both groups and all strata.
    skew = float(np.sum((n1**2 * c - n0**2 * a + n1 * n0 * (n0 - n1) / 2) / n**2))
    unlike = float(np.sum((a * (n0 - c) + c * (n1 - a)) / n)) / 2
    variance = (difference * skew + unlike) / weight**2
    if variance < _NO_SPREAD:
        return difference, None, None
    half = z * math.sqrt(variance)
    return difference, max(difference - half, -1.0), min(difference + half, 1.0)


def _odds_ratio(t: Floats, z: float) -> tuple[float | None, float | None, float | None]:
    a, b, c, d, _, _, n = _cells(t)
    r, s = a * d / n, b * c / n
    sum_r, sum_s = float(r.sum()), float(s.sum())
    if sum_r == 0 or sum_s == 0:
        return None, None, None
    p, q = (a + d) / n, (b + c) / n
    variance = (
        float((p * r).sum()) / (2 * sum_r**2)
        + float((p * s + q * r).sum()) / (2 * sum_r * sum_s)
        + float((q * s).sum()) / (2 * sum_s**2)
    )
    spread = math.exp(z * math.sqrt(variance))
    return sum_r / sum_s, sum_r / sum_s / spread, sum_r / sum_s * spread


def _null_test(t: Floats) -> tuple[float | None, float | None]:
    """Cochran-Mantel-Haenszel statistic without and with the continuity correction of one half."""
    a, _, c, _, n1, n0, n = _cells(t)
    events = a + c
    variance = float(np.sum(n1 * n0 * events * (n - events) / (n**2 * np.maximum(n - 1, 1))))
    if variance == 0:
        return None, None
    distance = abs(float(np.sum(a - n1 * events / n)))
    return distance**2 / variance, max(distance - 0.5, 0.0) ** 2 / variance


def _equal_odds(t: Floats, odds: float | None) -> tuple[float | None, float | None]:
    """Breslow-Day statistic and Tarone's: observed exposed events against those that the pooled odds ratio expects."""
    if odds is None or len(t) < 2:
        return None, None
    a, _, c, _, n1, n0, _ = _cells(t)
    expected, variance = _at_odds(n1, n0, a + c, odds)
    statistic = float(np.sum((a - expected) ** 2 / variance))
    return statistic, max(statistic - float(np.sum(a - expected)) ** 2 / float(np.sum(variance)), 0.0)


def _at_odds(n1: Floats, n0: Floats, events: Floats, odds: float) -> tuple[Floats, Floats]:
    """Exposed events that an odds ratio expects of tables with these margins, and their variance (both asymptotic)."""
    # a (n0 - events + a) = odds (n1 - a) (events - a); this form of the root also holds where odds = 1.
    middle = n0 - events + odds * (n1 + events)
    expected = 2 * odds * n1 * events / (middle + np.sqrt(middle**2 - 4 * (odds - 1) * odds * n1 * events))
    variance = 1 / (1 / expected + 1 / (n1 - expected) + 1 / (events - expected) + 1 / (n0 - events + expected))
    return expected, variance


def between_clusters(
    event: npt.ArrayLike, exposed: npt.ArrayLike, stratum: npt.ArrayLike, cluster: npt.ArrayLike
) -> float:
    """Design effect of the Mantel-Haenszel difference, 1 or more: its variance between clusters over that of units.

    One element a unit. The difference is the least-squares slope on the side within strata, so that each unit's part
    in it is (side - the stratum's mean side) times its residual; both variances are sums of squares of such parts
    (sandwich), the clusters' with m / (m - 1) for m clusters; exactly 1 where every cluster is one unit (Liang KY,
    Zeger SL, Biometrika 1986;73:13-22).
    """
    y, side = np.asarray(event, dtype=float).ravel(), np.asarray(exposed, dtype=float).ravel()
    s = np.unique(np.asarray(stratum).ravel(), return_inverse=True)[1]
    code = np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    if not y.size == side.size == s.size == code.size:
        raise ValueError("one event, side, stratum and cluster a unit")
    if y.size == 0:
        return 1.0
    n = np.bincount(s)
    apart = side - (np.bincount(s, side) / n)[s]
    within = y - (np.bincount(s, y) / n)[s]
    weight = float((apart**2).sum())
    if weight == 0:
        return 1.0
    part = apart * (within - apart * float(apart @ within) / weight)
    own = float((part**2).sum())
    clusters = np.unique(code[apart != 0]).size
    if own < _NO_SPREAD or clusters < 2 or int(np.bincount(code).max()) == 1:
        return 1.0
    return max(1.0, float((np.bincount(code, part) ** 2).sum()) / own * clusters / (clusters - 1))


_DRAWS = 4000


def equal_odds_p(tables: npt.ArrayLike, design_effect: float = 1.0) -> float | None:
    """p of Tarone's statistic for equal odds ratios, from tables drawn at the pooled odds ratio with the same margins.

    Its chi-square distribution does not hold where strata are small. Given a stratum's margins and the pooled odds
    ratio its events among the exposed have Fisher's noncentral hypergeometric distribution; of 4,000 draws (always the
    same) so many have a statistic as large. The observed one is first divided by the design effect (in the manner of
    Rao and Scott). None with fewer than two strata that tell, or no odds ratio.
    """
    from scipy.special import gammaln

    t = np.asarray(tables, dtype=float).reshape(-1, 2, 2)
    t = t[np.all(t.sum(axis=1) > 0, axis=1) & np.all(t.sum(axis=2) > 0, axis=1)]
    if len(t) < 2:
        return None
    odds, _, _ = _odds_ratio(t, 1.0)
    found = _equal_odds(t, odds)[1]
    if odds is None or found is None:
        return None
    t = t[np.lexsort(t.reshape(len(t), 4).T)]  # what is drawn does not hang on the order of strata
    rng = np.random.default_rng(1985)
    squares, apart, spread = np.zeros(_DRAWS), np.zeros(_DRAWS), 0.0
    for (a, b), (c, d) in t.tolist():
        n1, n0, events = a + b, c + d, a + c
        possible = np.arange(max(0.0, events - n0), min(n1, events) + 1)
        log = possible * math.log(odds) - (
            gammaln(possible + 1) + gammaln(n1 - possible + 1)
            + gammaln(events - possible + 1) + gammaln(n0 - events + possible + 1)
        )  # fmt: skip
        chance = np.exp(log - log.max())
        drawn = possible[
            np.searchsorted(np.cumsum(chance) / chance.sum(), rng.random(_DRAWS)).clip(max=len(chance) - 1)
        ]
        expected, variance = _at_odds(np.array([n1]), np.array([n0]), np.array([events]), odds)
        squares += (drawn - expected[0]) ** 2 / variance[0]
        apart += drawn - expected[0]
        spread += float(variance[0])
    drawn_statistics = np.maximum(squares - apart**2 / spread, 0.0)
    return float((1 + (drawn_statistics >= found / design_effect - 1e-9).sum()) / (_DRAWS + 1))


@dataclass(frozen=True)
class Crude:
    """Two groups as they are: shares, difference (exposed minus reference), odds ratio. None: not estimable."""

    exposed: float | None
    reference: float | None
    n_exposed: float
    n_reference: float
    risk_difference: float | None
    difference_low: float | None
    difference_high: float | None
    odds_ratio: float | None
    odds_low: float | None
    odds_high: float | None


def crude(table: npt.ArrayLike, confidence: float = 0.95, design_effects: tuple[float, float] = (1.0, 1.0)) -> Crude:
    """Risk difference with Newcombe's limits and odds ratio with Woolf's, from one 2 x 2 table.

    Events and units are divided by each side's design effect (exposed, reference) before limits are taken. The odds
    ratio is None with a zero cell. ValueError for another shape or negative counts.
    """
    t = np.asarray(table, dtype=float)
    if t.shape != (2, 2) or not bool(np.all(t >= 0)):
        raise ValueError("a table has 2 x 2 counts that are not negative and not missing")
    (a, b), (c, d) = t.tolist()
    d1, d0 = design_effects
    difference, low, high = newcombe_difference(a / d1, (a + b) / d1, c / d0, (c + d) / d0, confidence)
    odds: tuple[float | None, float | None, float | None] = (None, None, None)
    if a and b and c and d:
        ratio = a * d / (b * c)
        spread = math.exp(z_value(confidence) * math.sqrt((1 / a + 1 / b) * d1 + (1 / c + 1 / d) * d0))
        odds = ratio, ratio / spread, ratio * spread
    return Crude(
        exposed=a / (a + b) if a + b else None,
        reference=c / (c + d) if c + d else None,
        n_exposed=a + b,
        n_reference=c + d,
        risk_difference=number(float(difference)),
        difference_low=number(float(low)),
        difference_high=number(float(high)),
        odds_ratio=odds[0],
        odds_low=odds[1],
        odds_high=odds[2],
    )


def standardised(events: npt.ArrayLike, n: npt.ArrayLike, weights: npt.ArrayLike) -> tuple[float | None, float | None]:
    """Directly standardised share of one group: (share, standard error).

    `events` of `n` units by stratum, `weights` the reference's units by stratum. None where a stratum that carries
    weight has no units: its share is unknown. The error is the binomial one, sqrt(sum(w**2 p (1-p) / n)), weights
    adding up to 1.
    """
    x, size, w = np.broadcast_arrays(*(np.asarray(v, dtype=float).ravel() for v in (events, n, weights)))
    used = w > 0
    if not bool(used.any()) or bool(np.any(size[used] <= 0)):
        return None, None
    w = w[used] / w[used].sum()
    p = x[used] / size[used]
    return float((w * p).sum()), math.sqrt(float((w**2 * p * (1 - p) / size[used]).sum()))


@dataclass(frozen=True)
class Standardised:
    """Two shares standardised to one mix, and their difference (exposed minus reference). None: not estimable.

    `covered` is the share of the standard that lies in strata with units of both groups; the rest has no part in it.
    """

    exposed: float | None
    reference: float | None
    difference: float | None
    low: float | None
    high: float | None
    covered: float


def standardised_difference(
    event: npt.ArrayLike,
    exposed: npt.ArrayLike,
    stratum: npt.ArrayLike,
    weights: npt.ArrayLike,
    cluster: npt.ArrayLike,
    confidence: float = 0.95,
) -> Standardised:
    """Directly standardised shares of two groups from one element a unit; `weights[s]` is the standard's units in s.

    `stratum` are whole numbers from 0. The variance is that between clusters, a patient in both groups included
    (linearised: each unit moves the difference by w / n (y - p)), never below the binomial one, so that chance does not
    narrow the interval. Limits are None where both are 0. ValueError for lengths that do not fit.
    """
    y, side = np.asarray(event, dtype=float).ravel(), np.asarray(exposed, dtype=bool).ravel()
    s, w = np.asarray(stratum, dtype=np.int64).ravel(), np.asarray(weights, dtype=float).ravel()
    code = np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    if not y.size == side.size == s.size == code.size:
        raise ValueError("one event, side, stratum and cluster a unit")
    groups = (side, ~side)
    n = np.stack([np.bincount(s[g], minlength=w.size) for g in groups]).astype(float)
    x = np.stack([np.bincount(s[g], weights=y[g], minlength=w.size) for g in groups])
    used = np.all(n > 0, axis=0) & (w > 0)
    total = float(w.sum())
    if not bool(used.any()):
        return Standardised(None, None, None, None, None, 0.0)
    covered = float(w[used].sum()) / total
    p1, p0 = (standardised(x[i], n[i], np.where(used, w, 0.0))[0] for i in (0, 1))
    if p1 is None or p0 is None:
        return Standardised(p1, p0, None, None, None, covered)
    kept, row = used[s], np.where(side, 0, 1)
    # A stratum with one or two units of a side shows less spread than there is (n - 1 of n); one alone shows none, and
    # gets that of its side. The binomial variance is taken from the same shares.
    share = np.divide(x, n, out=np.zeros_like(x), where=n > 0)
    overall = (x[:, used].sum(axis=1) / n[:, used].sum(axis=1))[:, None]
    share = np.where(n == 1, overall, share)
    fewer = np.sqrt(np.where(n > 1, n / np.maximum(n - 1, 1), 1.0))
    weight = np.where(used, w, 0.0) / w[used].sum()
    pull = weight[s] / n[row, s] * fewer[row, s] * (y - share[row, s]) * np.where(side, 1.0, -1.0)
    moved = np.bincount(code[kept], weights=pull[kept])
    m = np.unique(code[kept]).size
    between = m / (m - 1) * float((moved**2).sum()) if m > 1 else 0.0
    binomial = weight**2 * fewer**2 * share * (1 - share) / np.maximum(n, 1)
    variance = max(between, float(binomial.sum()))
    if variance == 0:
        return Standardised(p1, p0, p1 - p0, None, None, covered)
    half = z_value(confidence) * math.sqrt(variance)
    return Standardised(p1, p0, p1 - p0, max(p1 - p0 - half, -1.0), min(p1 - p0 + half, 1.0), covered)
