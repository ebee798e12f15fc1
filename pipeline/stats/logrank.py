"""Survival of groups compared: the log-rank test, and the one that allows for several teeth of one patient.

Times and events as in `survival`. Sources: Mantel N, Cancer Chemother Rep 1966;50:163-170; weights: Gehan EA,
Biometrika 1965;52:203-223, and Tarone RE, Ware J, Biometrika 1977;64:156-160. Clusters: Lin DY,
Wei LJ, J Am Stat Assoc 1989;84:1074-1078 (its residuals); few clusters: Hotelling H, Ann Math Stat 1931;2:360-378.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ._common import FEW_CLUSTERS, Floats, Ints, chi2_p, cluster_codes
from .survival import durations

_ROUNDING = 1e-9  # of the largest eigenvalue: what rounding leaves of one that is 0 by hand
FEWEST_CLUSTERS = 10  # of a group, as the comparison's model asks of a side; common practice, no source


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

    Where `cluster` puts several subjects together the variance of observed less expected events is the usual one and
    what subjects of a cluster add to it: the products of their score residuals (`score_residuals`), as far as these
    make it larger in any direction. So it is the classical test with one subject a cluster. Below 40 clusters these
    products are times m / (m - 1), and p is that of Hotelling's T squared: chi2 (m - df) / ((m - 1) df) against F with
    df and m - df degrees of freedom. ValueError for weights and clusters together.
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
    m = int(patient.max(initial=-1)) + 1
    few = m < min(FEW_CLUSTERS, t.size)
    enough = m == t.size or min(clusters) >= FEWEST_CLUSTERS
    if df and enough and m > df:
        if m < t.size:
            own = _products(score_residuals(t, seen, code), patient) * (m / (m - 1) if few else 1)
            covariance = _widened(covariance, own)
        # Rounding can leave a difference of nothing a hair below 0.
        chi2 = max(float(difference @ np.linalg.pinv(covariance, rtol=_ROUNDING, hermitian=True) @ difference), 0.0)
        p = _hotelling_p(chi2, df, m) if few else chi2_p(chi2, df)
    observed = [int(v) for v in deaths.sum(axis=1)]
    return LogRank(names.tolist(), observed, expected.tolist(), chi2, df, p, clusters)


def score_residuals(t: Floats, seen: npt.NDArray[np.bool_], code: npt.NDArray[np.intp]) -> Floats:
    """Each subject's part of observed less expected events of each group, shape (subjects, groups); Breslow's ties.

    `code` is the group as a number from 0. Their sum over clusters, squared, is the variance of R's robust score test.
    """
    groups = int(code.max()) + 1
    times, d = np.unique(t[seen], return_counts=True)
    own = code[:, None] == np.arange(groups)
    ordered = [np.sort(t[code == g]) for g in range(groups)]
    risk = np.stack([of.size - np.searchsorted(of, times, side="left") for of in ordered])
    n = risk.sum(axis=0)
    share = (risk / n).T
    last = np.searchsorted(times, t, side="right")  # how many event times a subject was observed at
    hazard = np.concatenate([[0.0], np.cumsum(d / n)])[last]
    expected = np.concatenate([np.zeros((1, groups)), np.cumsum((d / n)[:, None] * share, axis=0)])[last]
    at_event: Floats = np.where(seen[:, None], own - share[np.maximum(last - 1, 0)], 0.0)
    return np.asarray(at_event - (own * hazard[:, None] - expected))


def _products(residuals: Floats, cluster: Ints) -> Floats:
    """Sum over clusters of the products of different subjects' residuals, shape (groups, groups)."""
    by_cluster = np.zeros((int(cluster.max()) + 1, residuals.shape[1]))
    np.add.at(by_cluster, cluster, residuals)
    return np.asarray(by_cluster.T @ by_cluster - residuals.T @ residuals)


def _widened(covariance: Floats, more: Floats) -> Floats:
    """The covariance with `more` added in the directions in which it adds anything, on the scale of the covariance."""
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-9 * max(float(values.max()), 0.0)
    root = vectors[:, kept] * np.sqrt(values[kept])
    back = vectors[:, kept] / np.sqrt(values[kept])
    extra, directions = np.linalg.eigh(back.T @ more @ back)
    widened = np.eye(extra.size) + directions * np.maximum(extra, 0.0) @ directions.T
    return np.asarray(root @ widened @ root.T)


def _hotelling_p(chi2: float, df: int, m: int) -> float:
    from scipy.special import fdtrc

    return float(fdtrc(df, m - df, chi2 * (m - df) / ((m - 1) * df)))
