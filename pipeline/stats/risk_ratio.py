"""How many times as often: the ratio of two shares within strata (Mantel-Haenszel).

Source: Greenland S, Robins JM, Biometrics 1985;41:55-68 (estimate and the variance of its logarithm, which holds for
few large strata and for many sparse ones).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import z_value


@dataclass(frozen=True)
class RiskRatio:
    """Share of the exposed over share of the reference; None: not estimable.

    No event among the exposed: ratio 0 without limits; none in the reference: no ratio. `strata_used` hold units of
    both groups, `n_used` units in them.
    """

    ratio: float | None
    low: float | None
    high: float | None
    strata_used: int
    n_used: int


def mantel_haenszel_ratio(tables: npt.ArrayLike, confidence: float = 0.95) -> RiskRatio:
    """Pooled ratio over tables [[exposed with event, without], [reference with event, without]], shape (strata, 2, 2).

    ValueError for another shape or for counts that are negative or missing.
    """
    t = np.asarray(tables, dtype=float)
    t = t.reshape(-1, 2, 2) if t.size == 0 else t
    if t.ndim != 3 or t.shape[1:] != (2, 2) or not bool(np.all(t >= 0)):
        raise ValueError("tables have the shape (strata, 2, 2), and counts are not negative and not missing")
    t = t[np.all(t.sum(axis=2) > 0, axis=1)]
    a, c = t[:, 0, 0], t[:, 1, 0]
    n1, n0 = t[:, 0].sum(axis=1), t[:, 1].sum(axis=1)
    n = n1 + n0
    exposed, reference = float((a * n0 / n).sum()), float((c * n1 / n).sum())
    used, units = len(t), int(n.sum())
    if reference == 0:
        return RiskRatio(None, None, None, used, units)
    ratio = exposed / reference
    if exposed == 0:
        return RiskRatio(ratio, None, None, used, units)
    variance = float((((a + c) * n1 * n0 - a * c * n) / n**2).sum()) / (exposed * reference)
    spread = math.exp(z_value(confidence) * math.sqrt(max(variance, 0.0)))
    # Nothing varies where everybody has the event: no width would claim certainty.
    low, high = (ratio / spread, ratio * spread) if variance > 0 else (None, None)
    return RiskRatio(ratio, low, high, used, units)
