"""Survival of groups compared: the log-rank test, and the one that allows for several teeth of one patient.

Times and events as in `survival`. Sources: Mantel N, Cancer Chemother Rep 1966;50:163-170; weights: Gehan EA,
Biometrika 1965;52:203-223, and Tarone RE, Ware J, Biometrika 1977;64:156-160. Clusters: robust score test of Lin DY,
Wei LJ, J Am Stat Assoc 1989;84:1074-1078; few clusters: Hotelling H, Ann Math Stat 1931;2:360-378.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ._common import FEW_CLUSTERS, Floats, Ints, chi2_p, cluster_codes
from .survival import durations

_ROUNDING = 1e-9  # of the largest eigenvalue: what rounding leaves of one that is 0 by hand
FEWEST_CLUSTERS = 10  # of a group; tests/planted/simulated/test_clusters.py says what becomes of the test with fewer


@dataclass(frozen=True)
class LogRank:
    """Comparison of survival between groups, in the order of `groups` (sorted).

    `expected` events are those under equal hazards, always unweighted. `chi2` and `p` are None where nothing can be
    compared (one group, no events, or never two groups at risk together) or, with clusters, where a group has fewer
    than `FEWEST_CLUSTERS` of them: `clusters` says how many each has.
    """

    groups: list[str | int | float | bool]
    observed: list[int]
    expected: list[float]
    chi2: float | None
    df: int
    p: float | None
    clusters: list[int]


def logrank(
    time: npt.ArrayLike,
    event: npt.ArrayLike,
    group: npt.ArrayLike,
    weights: Literal["wilcoxon", "tarone-ware"] | None = None,
    cluster: npt.ArrayLike | None = None,
) -> LogRank:
    """Log-rank test of groups; `wilcoxon` weighs an event time by the number at risk, `tarone-ware` by its root.

    Where `cluster` puts several subjects together the test is the robust score test: the variance of observed less
    expected is the sum over clusters of squared score residuals (Breslow's ties). Below 40 clusters its p-value is that
    of Hotelling's T squared, which is exact for normal scores of m clusters: (m - df) / df * chi2 / (m - chi2) against
    F with df and m - df degrees of freedom. ValueError for weights and clusters together.
    """
    if weights not in (None, "wilcoxon", "tarone-ware"):
        raise ValueError(f"weights are None, wilcoxon or tarone-ware, not {weights!r}")
    if weights is not None and cluster is not None:
        raise ValueError("the test that allows for clusters has no weights")
    t, seen = durations(time, event)
    patient = cluster_codes(cluster, t.size)
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
    df = int(np.linalg.matrix_rank(covariance, hermitian=True, rtol=_ROUNDING)) if times.size else 0
    chi2 = p = None
    clusters = [int(np.unique(patient[code == g]).size) for g in range(names.size)]
    alone = int(patient.max(initial=-1)) + 1 == t.size
    if df and alone:
        # Rounding can leave a difference of nothing a hair below 0.
        chi2 = max(float(difference @ np.linalg.pinv(covariance, rtol=_ROUNDING, hermitian=True) @ difference), 0.0)
        p = chi2_p(chi2, df)
    elif df and min(clusters) >= FEWEST_CLUSTERS:
        chi2, p = _robust_score(_score_residuals(t, seen, code, times, d / n, share), patient, df)
    observed = [int(v) for v in deaths.sum(axis=1)]
    return LogRank(names.tolist(), observed, expected.tolist(), chi2, df, p, clusters)


def _score_residuals(
    t: Floats, seen: npt.NDArray[np.bool_], code: npt.NDArray[np.intp], times: Floats, hazard: Floats, share: Floats
) -> Floats:
    """Each subject's part of observed less expected events of each group, shape (subjects, groups).

    `hazard` is d / n at each event time, `share` that of each group among those at risk, shape (groups, times).
    """
    last = np.searchsorted(times, t, side="right")  # how many event times a subject was observed at
    own = code[:, None] == np.arange(len(share))
    all_hazard = np.concatenate([[0.0], np.cumsum(hazard)])[last]
    expected = np.concatenate([np.zeros((1, len(share))), np.cumsum(hazard[:, None] * share.T, axis=0)])[last]
    at_event: Floats = np.where(seen[:, None], own - share.T[np.maximum(last - 1, 0)], 0.0)
    return np.asarray(at_event - (own * all_hazard[:, None] - expected))


def _robust_score(residuals: Floats, cluster: Ints, df: int) -> tuple[float | None, float | None]:
    m = int(cluster.max()) + 1
    by_cluster = np.zeros((m, residuals.shape[1]))
    np.add.at(by_cluster, cluster, residuals)
    spread = by_cluster.T @ by_cluster
    if np.linalg.matrix_rank(spread, hermitian=True, rtol=_ROUNDING) < df:
        return None, None
    score = by_cluster.sum(axis=0)
    chi2 = max(float(score @ np.linalg.pinv(spread, rtol=_ROUNDING, hermitian=True) @ score), 0.0)
    if m >= FEW_CLUSTERS:
        return chi2, chi2_p(chi2, df)
    if m <= max(df, chi2):
        return None, None
    from scipy.special import fdtrc

    return chi2, float(fdtrc(df, m - df, (m - df) / df * chi2 / (m - chi2)))
