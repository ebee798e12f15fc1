"""A model of what is usual, made from the cases of others, and how far it may be from the truth.

Used where one unit (dentist, sequence) is held against all others: the unit's own cases are judged by what the model
expects of them, and the model is only an estimate (newton.py, with a ridge).
Uncertainty as the posterior of the penalised fit: Wood SN, Generalized Additive Models, 2017, section 6.10 (from
memory); cases of one patient alike: working correlation, Liang KY, Zeger SL, Biometrika 1986;73:13-22.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from . import newton
from ._common import Floats, sample

USUAL_LIKENESS = 0.1  # correlation of two cases of one patient where few pairs tell it; common practice, no source
PAIRS_WORTH = 20  # so many pairs of cases is that worth; common practice, no source
MOST_ALIKE = 0.9
RIDGE = 1.0
_LINKS: dict[str, newton.Link] = {"share": "logistic", "rate": "log"}


@dataclass(frozen=True, eq=False)
class RiskModel:
    """Log odds (`kind` "share") or log rates ("rate") of cases: `coefficient` and its `covariance`, intercept first.

    `likeness` is the correlation of two cases of one patient, from 0 to 0.9, as the residuals of the others show it,
    drawn towards 0.1 where they have few pairs.
    """

    kind: str
    coefficient: Floats
    covariance: Floats
    likeness: float

    def expected(self, at: npt.ArrayLike) -> Floats:
        """What is expected of each case of `at`, shape (cases, terms)."""
        return mean(self.kind, self._linear(np.asarray(at, dtype=float)))

    def slope(self, at: npt.ArrayLike) -> Floats:
        """Derivative of the sum of what is expected of `at` by the coefficients, shape (terms + 1,)."""
        x = np.asarray(at, dtype=float)
        p = self.expected(x)
        weight = newton.slope(p, _LINKS[self.kind])
        return np.concatenate([[weight.sum()], weight @ x])

    def drawn(self, at: npt.ArrayLike, runs: int, rng: np.random.Generator) -> Floats:
        """`runs` times what may truly be expected of each row of `at`: shape (runs, rows)."""
        x = np.asarray(at, dtype=float)
        design = np.column_stack([np.ones(x.shape[0]), x])
        draws = (
            rng.standard_normal((runs, self.coefficient.size)) @ np.linalg.cholesky(self.covariance).T
            + self.coefficient
        )
        return mean(self.kind, draws @ design.T)

    def _linear(self, x: Floats) -> Floats:
        return np.asarray(self.coefficient[0] + x @ self.coefficient[1:], dtype=float)


def mean(kind: str, linear: Floats) -> Floats:
    """The share (logistic) or the rate (exponential) that belongs to a linear predictor."""
    return newton.mean(linear, _LINKS[kind])


def fitted(
    events: npt.ArrayLike,
    terms: npt.ArrayLike,
    cluster: npt.ArrayLike | None = None,
    kind: str = "share",
    ridge: float = RIDGE,
) -> RiskModel:
    """The model of cases with `events` (0 or 1; of kind "rate" any count) and `terms` of shape (cases, terms).

    Terms (not the intercept) carry a penalty ridge / 2 * b**2: a kind of case that few others had, or had without any
    event, keeps a figure near the usual one. `cluster` names each case's patient. ValueError unless there are cases
    with and without the event (of rates: an event).
    """
    y, x = sample(events), np.asarray(terms, dtype=float)
    if y.size == 0 or y.sum() <= 0 or (kind == "share" and y.mean() >= 1):
        raise ValueError("a risk needs cases with and without the event")
    design = np.column_stack([np.ones(y.size), x])
    held = np.array([0.0, *([ridge] * x.shape[1])])
    usual = math.log(y.mean() / (1 - y.mean())) if kind == "share" else math.log(y.mean())
    found = newton.fit(design, y, held, _LINKS[kind], np.r_[usual, np.zeros(x.shape[1])])
    weight = newton.slope(found.mean, _LINKS[kind])
    alike = likeness((y - found.mean) / np.sqrt(weight), cluster)
    bread = np.linalg.inv(found.information)
    known = design.T @ (design * weight[:, None])
    meat = known * (1 - alike) + np.diag(held)
    if cluster is None:
        meat = meat + alike * known
    else:
        code = np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
        sums = np.zeros((int(code.max()) + 1, design.shape[1]))
        np.add.at(sums, code, design * np.sqrt(weight)[:, None])
        meat = meat + alike * sums.T @ sums
    return RiskModel(kind, found.coefficient, bread @ meat @ bread, alike)


def likeness(residual: npt.ArrayLike, cluster: npt.ArrayLike | None) -> float:
    """Mean product of standardised residuals of two cases of one patient, drawn towards 0.1 as if by 20 pairs more."""
    if cluster is None:
        return 0.0
    e = np.asarray(residual, dtype=float)
    code = np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    size = np.bincount(code)
    pairs = float((size * (size - 1) / 2).sum())
    products = float((np.bincount(code, weights=e) ** 2 - np.bincount(code, weights=e**2)).sum()) / 2
    return min(max((products + PAIRS_WORTH * USUAL_LIKENESS) / (pairs + PAIRS_WORTH), 0.0), MOST_ALIKE)
