"""A logistic model of several teeth of one patient, which are not independent.

Sources: Liang KY, Zeger SL, Biometrika 1986;73:13-22; few clusters: Mancl LA, DeRouen TA, Biometrics 2001;57:126-134.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ._common import FEW_CLUSTERS as FEW_CLUSTERS
from ._common import Floats, clustered_p, critical_value, sample


@dataclass(frozen=True)
class LogisticGEE:
    """Logistic model of clustered units, one element a term (`intercept` first).

    Coefficients are log odds ratios with errors that are robust to clustering; `alpha` is the common correlation within
    a cluster, 0 where too few clusters of several units tell it. `few_clusters`: fewer than 40, so that the errors were
    corrected for bias (Mancl and DeRouen) and limits and p-values are Student's t, clusters less terms its freedom.
    """

    names: list[str]
    coefficient: list[float]
    se: list[float]
    odds_ratio: list[float]
    low: list[float]
    high: list[float]
    p: list[float]
    alpha: float
    n: int
    clusters: int
    few_clusters: bool


def gee_logistic(
    event: npt.ArrayLike,
    terms: npt.ArrayLike,
    cluster: npt.ArrayLike,
    names: Sequence[str],
    confidence: float = 0.95,
) -> LogisticGEE | None:
    """GEE with exchangeable correlation. `terms` has the shape (units, terms), without intercept; `names` names them.

    None ("not estimable") where the outcome never varies, the terms depend on each other, there are fewer clusters than
    terms, or the fit does not settle, as with a term that parts events from non-events. ValueError for lengths that do
    not fit.
    """
    y = sample(event)
    x = np.asarray(terms, dtype=float)
    x = x[:, None] if x.ndim == 1 else x
    code = np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    if code.size != y.size or x.shape != (y.size, len(names)) or not bool(np.all(np.isfinite(x))):
        raise ValueError("one event, one cluster and one finite value of each named term a unit")
    terms_in_all = x.shape[1] + 1
    clusters = int(code.max(initial=-1)) + 1
    if y.size == 0 or y.min() == y.max() or clusters <= terms_in_all:
        return None
    kinds = _Clusters.of(y, np.column_stack([np.ones(y.size), x]), code)
    if np.linalg.matrix_rank(kinds.unlike) < terms_in_all:
        return None
    few = clusters < FEW_CLUSTERS
    # Where few patients have several teeth their correlation (a sum over pairs by pairs less terms) may leave -1 to 1.
    # Weights as of independent units are then as right, for the errors are robust whichever weights are taken (Liang
    # and Zeger); only a little precision is lost.
    fitted = _fit(kinds, alike=True, few=few) or _fit(kinds, alike=False, few=few)
    if fitted is None:
        return None
    b, se, alpha = fitted
    z = critical_value(clusters, confidence, terms_in_all)
    return LogisticGEE(
        names=["intercept", *names],
        coefficient=b.tolist(),
        se=se.tolist(),
        odds_ratio=np.exp(b).tolist(),
        low=np.exp(b - z * se).tolist(),
        high=np.exp(b + z * se).tolist(),
        p=[clustered_p(float(v), clusters, terms_in_all) for v in b / se],
        alpha=alpha,
        n=y.size,
        clusters=clusters,
        few_clusters=few,
    )


_LARGEST = 15.0  # a log odds ratio beyond this (3 million) is a model running away, not an estimate
_SETTLED = 1e-9  # the largest last step of a log odds ratio
_MOST_STEPS = 100  # of 2,700 simulated fits half settled in 8 steps, all but 2 in 50; the others run away


@dataclass(frozen=True, eq=False)
class _Clusters:
    """Clusters whose units are alike in outcome and terms, as one with its number: half a million teeth are a few
    thousand kinds of patients. `many` of each kind, whose units begin at `start` and are `size`. `unlike` is the design
    of each kind of unit.
    """

    y: Floats
    design: Floats
    start: npt.NDArray[np.intp]
    size: npt.NDArray[np.intp]
    many: Floats
    unlike: Floats

    @classmethod
    def of(cls, y: Floats, design: Floats, code: npt.NDArray[np.intp]) -> _Clusters:
        kind = _kinds([y, *design.T[1:]])
        first = np.unique(kind, return_index=True)[1]  # a unit of each kind, in their order
        order = np.lexsort((kind, code))
        kind, size = kind[order], np.bincount(code)
        start = np.cumsum(size) - size
        units, sizes, many = [], [], []
        for k in np.unique(size):
            own = kind[start[size == k][:, None] + np.arange(k)]
            unlike, at, count = np.unique(_kinds(list(own.T)), return_index=True, return_counts=True)
            units.append(first[own[at]].ravel())
            sizes.append(np.full(unlike.size, k))
            many.append(count)
        unit, of_kind = np.concatenate(units), np.concatenate(sizes)
        begins = np.cumsum(of_kind) - of_kind
        return cls(y[unit], design[unit], begins, of_kind, np.concatenate(many).astype(float), design[first])


def _kinds(columns: Sequence[npt.NDArray[Any]]) -> npt.NDArray[np.int64]:
    """A number from 0 for each row of columns, the same for equal rows, in the order of their values."""
    found, levels = np.zeros(columns[0].size, dtype=np.int64), 1
    for column in columns:
        low, high = column.min(), column.max()
        value: npt.NDArray[Any] = column == high  # most are 0 or 1: no sorting
        many = 2
        if not bool((value | (column == low)).all()):
            values, value = np.unique(column, return_inverse=True)
            many = values.size
        if levels * many > np.iinfo(np.int64).max // 2:
            found = np.unique(found, return_inverse=True)[1]
            levels = int(found.max()) + 1
        found, levels = found * many + value, levels * many
    return np.asarray(np.unique(found, return_inverse=True)[1], dtype=np.int64)


def _fit(clusters: _Clusters, *, alike: bool, few: bool) -> tuple[Floats, Floats, float] | None:
    """Coefficients, their errors and the correlation, or None where the model does not settle.

    Everything is in standardised residuals, whose working correlation R is 1 on the diagonal and alpha beside it: its
    inverse is I / (1 - alpha) less `shared` everywhere, so that sums over clusters are all that is needed.
    """
    y, design, start, size, many = clusters.y, clusters.design, clusters.start, clusters.size, clusters.many
    n, terms = float(many @ size), design.shape[1]
    pairs = float(many @ (size * (size - 1) / 2)) - terms
    if alike and pairs <= 0:
        return None
    b, alpha, step = np.zeros(terms), 0.0, np.inf
    with np.errstate(all="ignore"):  # a model that runs away makes infinities; it is found out below
        try:
            for _ in range(_MOST_STEPS):
                x, e = _standardised(y, design, b)
                if alike and step < 1:  # the correlation of residuals from somewhere near the answer
                    alpha = _correlation(e, start, many, n - terms, pairs)
                by_cluster, bread = _scores(x, e, alpha, clusters)
                change = np.linalg.solve(bread, many @ by_cluster)
                b, step = b + change, float(np.abs(change).max())
                if not step < np.inf or step < _SETTLED:
                    break
            x, e = _standardised(y, design, b)
            by_cluster, bread = _scores(x, e, alpha, clusters)
            inverse = np.asarray(np.linalg.inv(bread), dtype=float)
            if few:
                by_cluster = _bias_reduced(x, e, alpha, start, inverse)
        except np.linalg.LinAlgError:
            return None
        se = np.sqrt(np.diag(inverse @ (by_cluster.T * many) @ by_cluster @ inverse))
    possible = alpha < 1 and 1 + (int(size.max()) - 1) * alpha > 0  # else no units can be so correlated
    settled = step < _SETTLED and bool(np.all(np.isfinite(se) & (se > 0)))
    if not settled or not possible or float(np.abs(b).max()) > _LARGEST:
        return None
    return b, se, alpha


def _standardised(y: Floats, design: Floats, b: Floats) -> tuple[Floats, Floats]:
    """The derivative of each unit's chance, and its residual, both over the standard deviation of its chance."""
    chance = 1 / (1 + np.exp(-(design @ b)))
    sd = np.sqrt(chance * (1 - chance))
    return design * sd[:, None], (y - chance) / sd


def _correlation(e: Floats, start: npt.NDArray[np.intp], many: Floats, free: float, pairs: float) -> float:
    """Mean product of two residuals of a cluster over their mean square; `free` and `pairs` are less the terms."""
    square = float(many @ np.add.reduceat(e**2, start))
    return (float(many @ np.add.reduceat(e, start) ** 2) - square) / 2 / pairs / (square / free)


def _scores(x: Floats, e: Floats, alpha: float, clusters: _Clusters) -> tuple[Floats, Floats]:
    """A cluster's part x' R^-1 e of the estimating equations, a row each kind, and the sum of x' R^-1 x over all."""
    start, size, many = clusters.start, clusters.size, clusters.many
    shared = alpha / ((1 - alpha) * (1 + alpha * (size - 1)))
    xs, es = np.add.reduceat(x, start, axis=0), np.add.reduceat(e, start)
    own = np.add.reduceat(x * e[:, None], start, axis=0) / (1 - alpha)
    bread = (x.T * np.repeat(many, size)) @ x / (1 - alpha) - (xs * (many * shared)[:, None]).T @ xs
    return own - xs * (shared * es)[:, None], bread


def _bias_reduced(x: Floats, e: Floats, alpha: float, start: npt.NDArray[np.intp], inverse: Floats) -> Floats:
    """The clusters' parts with residuals (I - H)^-1 e: few clusters draw the fit to themselves (Mancl and DeRouen)."""
    parts = []
    for xi, ei in zip(np.split(x, start[1:]), np.split(e, start[1:]), strict=True):
        correlation = np.full((ei.size, ei.size), alpha) + (1 - alpha) * np.eye(ei.size)
        weighted = np.linalg.solve(correlation, xi)
        parts.append(weighted.T @ np.linalg.solve(np.eye(ei.size) - xi @ inverse @ weighted.T, ei))
    return np.stack(parts)
