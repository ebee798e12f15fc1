"""Weibull lifetime as a smooth summary of an instrument's life; the hazard by use number stays the main figure.

Source: maximum likelihood with right censoring, NIST/SEMATECH e-Handbook 8.4.1.3. Instruments are discarded for wear,
so censoring tells something about the life that was left: the fit is then too hopeful. Meant for ten events or more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import sample

FEW_EVENTS = 10


@dataclass(frozen=True)
class Weibull:
    """Shape (above 1: wear, below 1: early failures); scale, mean and standard deviation in the unit of the times."""

    shape: float
    scale: float
    loglik: float
    aic: float
    mean: float
    sd: float
    n_events: int
    tentative: bool


def weibull(time: npt.ArrayLike, event: npt.ArrayLike) -> Weibull | None:
    """Two-parameter fit; `event` is false where the life was censored. ValueError if a time is not positive.

    None with fewer than two different event times: the shape is then unbounded or unknown.
    """
    t, seen = sample(time), np.asarray(event, dtype=bool).ravel()
    if t.size != seen.size or bool(np.any(t <= 0)):
        raise ValueError("one event a time, and times above 0")
    if np.unique(t[seen]).size < 2:
        return None
    d = int(seen.sum())
    x = np.log(t) - math.log(float(t.max()))  # in units of the longest life, so that no power overflows
    mean_event = float(x[seen].mean())

    def score(shape: float) -> float:
        """Slope of the profile likelihood, falling in the shape: its root is the estimate."""
        w = np.exp(shape * x)
        return 1 / shape + mean_event - float((w * x).sum() / w.sum())

    low, high = 1e-6, 1.0
    while score(high) > 0 and high < 1e6:
        high *= 2
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if score(middle) > 0 else (low, middle)
    shape = (low + high) / 2
    relative = (float(np.exp(shape * x).sum()) / d) ** (1 / shape)
    scale = relative * float(t.max())
    loglik = d * (math.log(shape) - shape * math.log(scale)) + (shape - 1) * float(np.log(t[seen]).sum()) - d
    mean = scale * math.gamma(1 + 1 / shape)
    sd = scale * math.sqrt(max(math.gamma(1 + 2 / shape) - math.gamma(1 + 1 / shape) ** 2, 0))
    return Weibull(shape, scale, loglik, 4 - 2 * loglik, mean, sd, d, d < FEW_EVENTS)
