"""A share among those seen, weighted so that they stand for everybody: inverse probability of being seen.

Each subject seen counts 1/p, p its chance of being seen from a logistic model on what was known before. That repairs
the share only if, among subjects alike in what the model knows, those seen and those not seen do alike.

Sources: Horvitz DG, Thompson DJ, J Am Stat Assoc 1952;47:663-685 (weights; here divided by their sum). Robins JM,
Rotnitzky A, Zhao LP, J Am Stat Assoc 1994;89:846-866 (weights that were estimated). Error by stacked estimating
equations, summed over clusters: Stefanski LA, Boos DD, Am Stat 2002;56:29-38. Few clusters: each left out in turn
(the jackknife, which CR3 approximates: Bell RM, McCaffrey DF, Survey Methodology 2002;28:169-181), Student's t.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import FEW_CLUSTERS, Floats, Ints, cluster_codes, critical_value, z_value
from .proportions import wilson

_RIDGE = 1e-6  # keeps the model finite where everybody of a kind was seen, or nobody
_ROUNDS = 100


@dataclass(frozen=True)
class WeightedShare:
    """Weighted share with its interval (on the log-odds scale), beside the plain one; None where not estimable.

    `largest_weight` is how many subjects one stands for. `not_represented` subjects have a value of a characteristic
    that nobody seen has: no weight can speak for them.
    """

    estimate: float | None
    low: float | None
    high: float | None
    unweighted: float | None
    n_seen: int
    n: int
    largest_weight: float | None
    not_represented: int


def weighted_share(
    seen: npt.ArrayLike,
    event: npt.ArrayLike,
    characteristics: Sequence[npt.ArrayLike],
    cluster: npt.ArrayLike | None = None,
    confidence: float = 0.95,
) -> WeightedShare:
    """Share with the event; `event` counts only where `seen`. Characteristics are categories, one array each.

    The interval is never narrower than that of independent subjects. Below 40 clusters of several subjects the error is
    also that of leaving out each cluster in turn, if that is larger, and limits are Student's t with one degree of
    freedom less than there are clusters. ValueError if the arrays differ in length.
    """
    s = np.asarray(seen, dtype=float).ravel()
    happened = np.asarray(event, dtype=float).ravel()
    codes = [np.unique(np.asarray(c, dtype=str).ravel(), return_inverse=True)[1] for c in characteristics]
    if any(c.size != s.size for c in (happened, *codes)):
        raise ValueError("one outcome, one cluster and one value of each characteristic a subject")
    group = cluster_codes(cluster, s.size)
    y = np.where(s > 0, happened, 0.0)
    n_seen = int(s.sum())
    if n_seen == 0:
        return WeightedShare(None, None, None, None, 0, s.size, None, s.size)
    unseen_value = np.zeros(s.size, dtype=bool)
    for code in codes:
        unseen_value |= np.bincount(code, weights=s)[code] == 0
    x = np.column_stack([np.ones(s.size), *(code[:, None] == np.arange(1, code.max() + 1) for code in codes)])
    p, bread = _chances(x, s)
    w = s / p
    share = _share(w, y)
    # What each subject moves the share, its part in the model of being seen included.
    own = w * (y - share)
    slope = -(own * (1 - p)) @ x
    moves = (own + ((s - p)[:, None] * x) @ np.linalg.solve(bread, slope)) / w.sum()
    m = int(group.max()) + 1
    if m < 2:
        low = high = None
    elif 0 < share < 1:
        odds = np.log(share / (1 - share))
        n = s.size
        variance = (np.bincount(group, weights=moves) ** 2).sum() * m / (m - 1)
        variance = max(variance, (moves**2).sum() * n / (n - 1)) / (share * (1 - share)) ** 2
        few = m < min(FEW_CLUSTERS, n)
        if few:
            variance = max(variance, _left_out_in_turn(x, s, y, group, m))
        half = (critical_value(m, confidence) if few else z_value(confidence)) * float(np.sqrt(variance))
        low, high = (float(1 / (1 + np.exp(-(odds + side)))) for side in (-half, half))
    else:
        low, high = (float(limit) for limit in wilson(y.sum(), n_seen, confidence))
    return WeightedShare(
        share, low, high, float(y.sum() / n_seen), n_seen, s.size, float(w.max()), int(unseen_value.sum())
    )


def _share(w: Floats, y: Floats) -> float:
    return float((w * y).sum() / w.sum())


def _left_out_in_turn(x: Floats, s: Floats, y: Floats, group: Ints, m: int) -> float:
    """Variance of the log odds of the share by leaving out each cluster; one without which there are none is passed."""
    odds = []
    for one in range(m):
        kept = group != one
        if s[kept].sum() == 0:
            continue
        share = _share(s[kept] / _chances(x[kept], s[kept])[0], y[kept])
        if 0 < share < 1:
            odds.append(np.log(share / (1 - share)))
    around = np.array(odds)
    return float((m - 1) / m * ((around - around.mean()) ** 2).sum()) if around.size > 1 else 0.0


def _chances(x: Floats, s: Floats) -> tuple[Floats, Floats]:
    """Fitted chances of being seen, and the information matrix, of a logistic model by Newton's steps.

    Not newton.fit: of a few subjects whose kinds are all seen or all unseen the steps do not settle, and where they end
    is a matter of their length.
    """
    beta = np.zeros(x.shape[1])
    ridge = _RIDGE * np.eye(x.shape[1])
    for _ in range(_ROUNDS):
        p = 1 / (1 + np.exp(-np.clip(x @ beta, -30, 30)))
        information = x.T @ (x * (p * (1 - p))[:, None]) + ridge
        step = np.linalg.solve(information, x.T @ (s - p) - _RIDGE * beta)
        beta = beta + np.clip(step, -4, 4)  # a long step would overshoot where nearly all were seen
        if float(np.abs(step).max()) < 1e-9:
            break
    p = 1 / (1 + np.exp(-np.clip(x @ beta, -30, 30)))
    return p, x.T @ (x * (p * (1 - p))[:, None]) + ridge
