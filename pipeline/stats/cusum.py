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


def risk_from_logit(intercept: float, slope: float, score: npt.ArrayLike) -> Floats:
    """Risk 1 / (1 + exp(-(intercept + slope * score))) of each case."""
    return np.asarray(1 / (1 + np.exp(-(intercept + slope * np.asarray(score, dtype=float)))), dtype=float)


def fitted_risk(event: npt.ArrayLike, terms: npt.ArrayLike, at: npt.ArrayLike, ridge: float = 1.0) -> Floats:
    """Risks of the cases `at` from a logistic model of other cases, `event` and `terms` of shape (cases, terms).

    Terms (not the intercept) carry a penalty ridge / 2 * b**2, so that a kind of case that few others had, or had
    without any event, keeps a risk near the usual one instead of 0. ValueError unless the others have cases with and
    without the event. Le Cessie S, van Houwelingen JC, Appl Stat 1992;41:191-201.
    """
    y, x, new = np.asarray(event, dtype=float), np.asarray(terms, dtype=float), np.asarray(at, dtype=float)
    if y.size == 0 or not 0 < y.mean() < 1:
        raise ValueError("a risk needs cases with and without the event")
    design = np.column_stack([np.ones(y.size), x])
    penalty = np.diag([0.0, *([ridge] * x.shape[1])])
    b = np.zeros(design.shape[1])
    b[0] = math.log(y.mean() / (1 - y.mean()))
    for _ in range(50):
        p = 1 / (1 + np.exp(-design @ b))
        slope = design.T @ (y - p) - penalty @ b
        step = np.linalg.solve(design.T @ (design * (p * (1 - p))[:, None]) + penalty, slope)
        b = b + step
        if float(np.abs(step).max()) < 1e-10:
            break
    return np.asarray(1 / (1 + np.exp(-(b[0] + new @ b[1:]))), dtype=float)


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


def limit(
    risk: npt.ArrayLike, odds_ratio: float = 2.0, false_alarm: float = 0.05, runs: int = 2000, seed: int = 1
) -> float:
    """Height that a series of exactly these cases passes by chance alone with probability `false_alarm`.

    Simulated: every run draws each case's outcome from its own risk. The seed fixes the answer; it varies by a few per
    cent with 2,000 runs. An empty series gives 0.
    """
    p = np.asarray(risk, dtype=float).ravel()
    if p.size == 0:
        return 0.0
    rng = np.random.default_rng(seed)
    peaks = np.empty(runs)
    event, none = (weights(p, np.full(p.shape, happened), odds_ratio) for happened in (True, False))
    step = max(1, 100_000 // p.size)  # as many runs at once as stay in a processor's cache
    for start in range(0, runs, step):
        stop = min(start + step, runs)
        total = np.where(rng.random((stop - start, p.size)) < p, event, none)
        np.cumsum(total, axis=1, out=total)
        lowest = np.minimum.accumulate(total, axis=1)
        peaks[start:stop] = (total - np.minimum(lowest, 0, out=lowest)).max(axis=1)
    return float(np.quantile(peaks, 1 - false_alarm))
