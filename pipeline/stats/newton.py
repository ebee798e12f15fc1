"""Generalised linear models with a ridge, by Newton's steps.

Sources: Nelder JA, Wedderburn RWM, J R Stat Soc A 1972;135:370-384. Ridge: Le Cessie S, van Houwelingen JC, Appl Stat
1992;41:191-201.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ._common import Floats

Link = Literal["logistic", "log", "linear"]

_STEPS = 60
_SETTLED = 1e-9  # the largest last step of a coefficient
_LONGEST = 3.0  # of a step: a longer one would overshoot where nearly all have the event
_LARGEST = 30.0  # a coefficient beyond this is a model running away, not an estimate
_FARTHEST = {"logistic": 35.0, "log": 30.0}  # of a linear predictor, so that nothing becomes infinite
HAIR = 1e-9  # on the diagonal in steps, for an outcome that never varies, whose intercept runs away


@dataclass(frozen=True, eq=False)
class Model:
    """A fitted model: coefficients, means at its own rows, and the information (the ridge's part in it)."""

    coefficient: Floats
    mean: Floats
    information: Floats


def fit(x: Floats, y: Floats, held: Floats, link: Link = "logistic", start: Floats | None = None) -> Model:
    """The model of outcomes `y` of rows `x`, shape (units, terms); each term carries a penalty held / 2 * b**2."""
    b = np.zeros(x.shape[1]) if start is None else start
    penalty = np.diag(held)
    for _ in range(_STEPS):
        mu = mean(x @ b, link)
        information = x.T @ (x * slope(mu, link)[:, None]) + penalty
        step = np.linalg.solve(information + HAIR * np.eye(b.size), x.T @ (y - mu) - held * b)
        b = b + (step if link == "linear" else np.clip(step, -_LONGEST, _LONGEST))
        if float(np.abs(step).max()) < _SETTLED or float(np.abs(b).max()) > _LARGEST:
            break
    mu = mean(x @ b, link)
    return Model(b, mu, x.T @ (x * slope(mu, link)[:, None]) + penalty)


def mean(linear: Floats, link: Link) -> Floats:
    """What a linear predictor expects: a share (logistic), a count or rate (log), or itself."""
    if link == "linear":
        return linear
    limited = np.clip(linear, -_FARTHEST[link], _FARTHEST[link])
    return np.asarray(np.exp(limited) if link == "log" else 1 / (1 + np.exp(-limited)), dtype=float)


def slope(mu: Floats, link: Link) -> Floats:
    """The derivative of the mean by the linear predictor: the variance of an outcome, of a linear model 1."""
    return np.ones_like(mu) if link == "linear" else mu if link == "log" else mu * (1 - mu)
