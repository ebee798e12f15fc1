"""Cumulative sums: one case after another, each against its own risk.

Source: Steiner SH, Cook RJ, Farewell VT, Treasure T, Biostatistics 2000;1:441-452 (risk-adjusted). A signal is a
prompt to look, not a verdict.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ._common import Floats
from .risk_model import RiskModel


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


def cusum(case_weights: npt.ArrayLike) -> Floats:
    """S_t = max(0, S_(t-1) + W_t) without a loop: the running sum minus its lowest point so far, 0 included.

    A database can compute it with two windows. It does not reset after a signal.
    """
    total = np.cumsum(np.asarray(case_weights, dtype=float))
    return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0), dtype=float)


@dataclass(frozen=True, eq=False)
class Limits:
    """Heights, one a case, that the upward sum (more events than expected) and the downward one (fewer) seldom pass."""

    up: Floats
    down: Floats


# What is known is counted in p (1 - p) summed over cases, so that rare events take more of them: 20 cases of which one
# in five has the event. Every stretch but the first knows half as much as all before it, and has one pair of limits.
FIRST_STRETCH = 3.2
_GROWTH = 1.5
_LONGEST_FIRST = 2000  # cases; of a first stretch that is filled up
_AT_ONCE = 250  # runs; the same however many cases, since they decide which draws a run has
_SPENT = 4.8  # known when half of the false alarms may have been: early ones find little, late ones come late


def limits(
    model: RiskModel,
    at: npt.ArrayLike,
    cluster: npt.ArrayLike | None = None,
    odds_ratio: float = 2.0,
    false_alarm: float = 0.05,
    runs: int = 4000,
    seed: int = 1,
) -> Limits:
    """Limits that the series of the cases `at`, however long it grows, passes by chance with at most `false_alarm`.

    Those of a stretch of cases follow from the cases before it, the latest taken once more: what comes in later moves
    no limit of the past, and one that is passed stays passed. Only the first stretch is filled up with its own cases
    as they come. When as much is known as FIRST_STRETCH, two fifths of `false_alarm` may have been spent, and k / (k +
    _SPENT) at any k (spending function: Lan KKG, DeMets DL, Biometrika 1983;70:659-663; limits in force of a series so
    far: Zhang X, Woodall WH, Stat Med 2015;34:3336-3348, from memory).

    Simulated, each side at half of `false_alarm`: every run draws the true risks from what the model leaves open, then
    each case's outcome from its true risk, those of one patient (`cluster`) as alike as the model says, and adds up the
    weights of the model's own risks. So the limits allow for estimated risks: with few others they lie far out. The
    seed fixes the answer, and rows of `at` in another order are another series.
    """
    x = np.asarray(at, dtype=float)
    n = x.shape[0]
    if n == 0:
        return Limits(np.zeros(0), np.zeros(0))
    patient = np.arange(n) if cluster is None else np.unique(np.asarray(cluster).ravel(), return_inverse=True)[1]
    risk = model.expected(x)
    ends, known = _stretches(risk * (1 - risk))
    found: tuple[list[float], list[float]] = [], []
    for last, (case, amount) in enumerate(zip(_cases(ends, n, risk), known, strict=True)):
        inner = [*ends[:last], case.size]
        peaks = _peaks(model, x[case], patient[case], inner, odds_ratio, runs, seed)
        for limit, peak in zip(found, peaks, strict=True):
            limit.append(_next_limit(peak, limit, false_alarm / 2 * amount / (amount + _SPENT)))
    lengths = np.diff([0, *ends[:-1], n])
    up, down = (np.repeat(limit, lengths) for limit in found)
    return Limits(up, down)


def _peaks(
    model: RiskModel, x: Floats, patient: npt.NDArray[np.intp], ends: list[int], odds_ratio: float, runs: int, seed: int
) -> Floats:
    """The highest that the upward and the downward sum get in each stretch by chance: shape (2, stretches, runs)."""
    own, first = model.expected(x), _first_of_patient(patient)
    unlike, where = np.unique(x, axis=0, return_inverse=True)
    where = where.ravel()
    sides = [
        [weights(own, np.full(own.size, y), ratio) for y in (True, False)] for ratio in (odds_ratio, 1 / odds_ratio)
    ]
    peaks = np.empty((2, len(ends), runs))
    for start in range(0, runs, _AT_ONCE):
        stop = min(start + _AT_ONCE, runs)
        risk = model.drawn(unlike, stop - start, np.random.default_rng([seed, start]))[:, where]
        event = _draws([seed, start], ends, stop - start, first, model.likeness) < risk
        for peak, (happened, none) in zip(peaks, sides, strict=True):
            total = np.where(event, happened, none)
            np.cumsum(total, axis=1, out=total)
            lowest = np.minimum.accumulate(total, axis=1)
            total -= np.minimum(lowest, 0, out=lowest)
            peak[:, start:stop] = np.maximum.reduceat(total, [0, *ends[:-1]], axis=1).T
    return peaks


def _stretches(information: Floats) -> tuple[list[int], list[float]]:
    """Where each stretch ends, in cases from the first, and what is known at its end; the last ends with the cases."""
    so_far = np.cumsum(information)
    ends, known = [], [FIRST_STRETCH]
    while so_far[-1] > known[-1] and (end := int(np.searchsorted(so_far, known[-1])) + 1) < so_far.size:
        ends.append(end)
        known.append(_GROWTH * known[-1])
    return [*ends, so_far.size], known


def _cases(ends: list[int], n: int, risk: Floats) -> Iterator[npt.NDArray[np.intp]]:
    """The cases from which the limits of each stretch follow."""
    so_far = float((risk * (1 - risk)).sum())
    for last in range(len(ends)):
        if last:
            before = ends[last - 1]
            latest = math.ceil((_GROWTH - 1) * before)
            yield np.concatenate([np.arange(before), np.arange(before - latest, before)])
        elif len(ends) > 1 or so_far >= FIRST_STRETCH:
            yield np.arange(ends[0])
        else:
            most = max(_LONGEST_FIRST, n)
            yield np.arange(min(math.ceil(n * FIRST_STRETCH / so_far), most) if so_far > 0 else most) % n


def _first_of_patient(patient: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """For each case the place of its patient's first one."""
    _, first, which = np.unique(patient, return_index=True, return_inverse=True)
    return np.asarray(first[which.ravel()], dtype=np.intp)


def _draws(seed: list[int], ends: list[int], runs: int, first: npt.NDArray[np.intp], likeness: float) -> Floats:
    """Uniform draws, shape (runs, cases), those of a patient alike; a stretch's own do not change with later ones."""
    kept = []
    for stretch, length in enumerate(np.diff([0, *ends])):
        rng = np.random.default_rng([*seed, stretch])
        kept.append(rng.random((3 if likeness > 0 else 1, runs, length)))
    draw, *of_patient = np.concatenate(kept, axis=2)
    if likeness > 0:
        patient, takes = of_patient
        # Two cases that both take their patient's draw are alike: likeness in all. Which patient comes again is not
        # known of the last ones, so a single case takes its patient's draw as often: no other draw than its own.
        draw = np.where(takes < math.sqrt(likeness), patient[:, first], draw)
    return np.asarray(draw, dtype=float)


def _next_limit(peaks: Floats, before: list[float], spent: float) -> float:
    """The limit of the last stretch of `peaks` (stretches, runs) by which no more than `spent` of all runs has passed.

    `before` are the limits of the stretches before it.
    """
    earlier = np.array(before)[:, None]
    waiting = (peaks[: len(before)] <= earlier + 1e-9).all(axis=0)
    may = max(int(spent * waiting.size) - int((~waiting).sum()), 0)
    return float(np.sort(peaks[-1, waiting])[-1 - may])
