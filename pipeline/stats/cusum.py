"""Cumulative sums: one case after another, each against its own risk.

Sources: Steiner SH, Cook RJ, Farewell VT, Treasure T, Biostatistics 2000;1:441-452 (risk-adjusted). Reynolds MR,
Stoumbos ZG, J Qual Technol 1999;31:87-108 (equal risks). A signal is a prompt to look, not a verdict.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import Floats
from .risk_model import RiskModel


def risk_from_logit(intercept: float, slope: float, score: npt.ArrayLike) -> Floats:
    """Risk 1 / (1 + exp(-(intercept + slope * score))) of each case."""
    return np.asarray(1 / (1 + np.exp(-(intercept + slope * np.asarray(score, dtype=float)))), dtype=float)


def weights(risk: npt.ArrayLike, event: npt.ArrayLike, odds_ratio: float = 2.0, null_odds_ratio: float = 1.0) -> Floats:
    """Log-likelihood ratio of each case, positive where it speaks for `odds_ratio` times the expected odds.

    Event: ln[(1 - p + R0 p) RA / ((1 - p + RA p) R0)]; none: ln[(1 - p + R0 p) / (1 - p + RA p)]. The risks come from
    data without the person who is looked at. ValueError for risks outside 0..1 or odds ratios that are not positive.
    """
    p = np.asarray(risk, dtype=float)
    y = np.asarray(event, dtype=bool)
    if not bool(np.all((p >= 0) & (p <= 1))):
        raise ValueError("risks lie between 0 and 1, and none is missing")
    if not (odds_ratio > 0 and null_odds_ratio > 0):
        raise ValueError("odds ratios are positive")
    usual = np.log((1 - p + null_odds_ratio * p) / (1 - p + odds_ratio * p))
    return np.asarray(usual + np.where(y, math.log(odds_ratio / null_odds_ratio), 0.0), dtype=float)


@dataclass(frozen=True)
class Bernoulli:
    """Weights for equal risks: `event` = ln(p1/p0), `none` = ln((1-p1)/(1-p0)).

    `gamma` is what each case adds before events are counted in whole steps, r1 / r2.
    """

    event: float
    none: float
    r1: float
    r2: float
    gamma: float


def bernoulli(p0: float, p1: float) -> Bernoulli:
    """Weights to tell a share p1 from p0. ValueError unless both lie inside 0..1 and differ."""
    if not (0 < p0 < 1 and 0 < p1 < 1) or p0 == p1:
        raise ValueError("two different shares between 0 and 1")
    r1 = -math.log((1 - p1) / (1 - p0))
    r2 = math.log(p1 * (1 - p0) / (p0 * (1 - p1)))
    return Bernoulli(math.log(p1 / p0), -r1, r1, r2, r1 / r2)


def cusum(case_weights: npt.ArrayLike) -> Floats:
    """S_t = max(0, S_(t-1) + W_t) without a loop: the running sum minus its lowest point so far, 0 included.

    A database can compute it with two windows. It does not reset after a signal.
    """
    total = np.cumsum(np.asarray(case_weights, dtype=float))
    return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0), dtype=float)


@dataclass(frozen=True)
class Limits:
    """Heights that the upward sum (more events than expected) and the downward one (fewer) seldom pass by chance."""

    up: float
    down: float


def limits(
    model: RiskModel,
    at: npt.ArrayLike,
    cluster: npt.ArrayLike | None = None,
    odds_ratio: float = 2.0,
    false_alarm: float = 0.05,
    runs: int = 2000,
    seed: int = 1,
) -> Limits:
    """Limits that a series of exactly the cases `at` passes by chance, up or down, with probability `false_alarm`.

    Simulated, each side at half of `false_alarm`: every run draws the true risks from what the model leaves open, then
    each case's outcome from its true risk, those of one patient (`cluster`) as alike as the model says, and adds up the
    weights of the model's own risks. So the limits allow for estimated risks: with few others they lie far out. The
    seed fixes the answer, and rows of `at` in another order are another series. An empty series gives 0.
    """
    x = np.asarray(at, dtype=float)
    n = x.shape[0]
    if n == 0:
        return Limits(0.0, 0.0)
    rng = np.random.default_rng(seed)
    unlike, where = np.unique(x, axis=0, return_inverse=True)
    where = where.ravel()
    own = model.expected(x)
    patient = np.arange(n) if cluster is None else np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    several = np.flatnonzero(np.bincount(patient)[patient] > 1) if model.likeness > 0 else np.empty(0, dtype=int)
    shared = math.sqrt(model.likeness)  # two cases that both take their patient's draw are alike: likeness in all
    peaks = np.empty((2, runs))
    sides = [[weights(own, np.full(n, y), ratio) for y in (True, False)] for ratio in (odds_ratio, 1 / odds_ratio)]
    step = max(1, 100_000 // n)  # as many runs at once as stay in a processor's cache
    for start in range(0, runs, step):
        stop = min(start + step, runs)
        risk = model.drawn(unlike, stop - start, rng)[:, where]
        draw = rng.random((stop - start, n))
        if several.size:
            patients = rng.random((stop - start, int(patient.max()) + 1))
            takes = rng.random((stop - start, several.size)) < shared
            draw[:, several] = np.where(takes, patients[:, patient[several]], draw[:, several])
        event = draw < risk
        for peak, (happened, none) in zip(peaks, sides, strict=True):
            total = np.where(event, happened, none)
            np.cumsum(total, axis=1, out=total)
            lowest = np.minimum.accumulate(total, axis=1)
            peak[start:stop] = (total - np.minimum(lowest, 0, out=lowest)).max(axis=1)
    up, down = np.quantile(peaks, 1 - false_alarm / 2, axis=1, method="higher")
    return Limits(float(up), float(down))
