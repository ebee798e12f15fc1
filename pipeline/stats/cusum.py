"""Cumulative sums: one case after another, each against its own risk.

Source: Steiner SH, Cook RJ, Farewell VT, Treasure T, Biostatistics 2000;1:441-452 (risk-adjusted). A signal is a
prompt to look, not a verdict.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

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
_MOST_VALUES = 16_000_000  # draws that are held at a time: 128 MB
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
    came, ahead = _peaks(model, x, _first_of_patient(patient), ends, _begin(ends, risk), odds_ratio, runs, seed)
    found: tuple[list[float], list[float]] = [], []
    for last, amount in enumerate(known):
        for side, limit in enumerate(found):
            spent = false_alarm / 2 * amount / (amount + _SPENT)
            limit.append(_next_limit(came[side, :last], ahead[side, last], limit, spent))
    lengths = np.diff([0, *ends[:-1], n])
    up, down = (np.repeat(limit, lengths) for limit in found)
    return Limits(up, down)


def _peaks(
    model: RiskModel,
    x: Floats,
    first: npt.NDArray[np.intp],
    ends: list[int],
    begin: npt.NDArray[np.intp],
    odds_ratio: float,
    runs: int,
    seed: int,
) -> tuple[Floats, Floats]:
    """The highest that the upward and the downward sum get by chance in each stretch: shape (2, stretches, runs).

    First with the cases that came; the last stretch, in which more may come, is left out, and the first has the cases
    `begin`. Then with the cases from which the limits of the stretch follow: those that came before it, and the latest
    of them once more.
    """
    own = model.expected(x)
    sides = [
        [weights(own, np.full(own.size, y), ratio) for y in (True, False)] for ratio in (odds_ratio, 1 / odds_ratio)
    ]
    happened, none = (np.array([side[y] for side in sides])[:, :, None] for y in (0, 1))
    at_once = max(_MOST_VALUES // (own.size * _AT_ONCE), 1) * _AT_ONCE
    parts = []
    for start in range(0, runs, at_once):
        draws = _Draws(model, x, first, range(start, min(start + at_once, runs)), seed)
        sums = _Sums(happened, none, *np.zeros((2, 2, len(draws.runs))))
        came = [sums.peak(begin, draws.events(0, begin, new=True))]
        ahead = [came[0]]
        for stretch, (before, stop) in enumerate(pairwise(ends), start=1):
            latest = np.arange(before - math.ceil((_GROWTH - 1) * before), before)
            ahead.append(sums.copy().peak(latest, draws.events(stretch, latest)))
            if stop < ends[-1]:
                cases = np.arange(before, stop)
                came.append(sums.peak(cases, draws.events(stretch, cases, new=True)))
        parts.append((np.stack(came, axis=1), np.stack(ahead, axis=1)))
    of_came, of_ahead = (np.concatenate(part, axis=2) for part in zip(*parts, strict=True))
    return of_came, of_ahead


@dataclass
class _Sums:
    """The upward and the downward sum of every run, shape (2, runs): the running sum and its lowest so far."""

    happened: Floats
    none: Floats
    total: Floats
    lowest: Floats

    def copy(self) -> _Sums:
        return replace(self, total=self.total.copy(), lowest=self.lowest.copy())

    def peak(self, cases: npt.NDArray[np.intp], events: npt.NDArray[np.bool_]) -> Floats:
        """Go on with these cases, of which `events` (cases, runs) happened; how high the sums get on the way.

        A loop over cases, each step over all runs at once: there are thousands of these.
        """
        highest, height = np.zeros_like(self.total), np.empty_like(self.total)
        for case, event in zip(cases, events, strict=True):
            self.total += np.where(event, self.happened[:, case], self.none[:, case])
            np.minimum(self.lowest, self.total, out=self.lowest)
            np.subtract(self.total, self.lowest, out=height)
            np.maximum(highest, height, out=highest)
        return highest


def _stretches(information: Floats) -> tuple[list[int], list[float]]:
    """Where each stretch ends, in cases from the first, and what is known at its end; the last ends with the cases."""
    so_far = np.cumsum(information)
    ends, known = [], [FIRST_STRETCH]
    while so_far[-1] > known[-1] and (end := int(np.searchsorted(so_far, known[-1])) + 1) < so_far.size:
        ends.append(end)
        known.append(_GROWTH * known[-1])
    return [*ends, so_far.size], known


def _begin(ends: list[int], risk: Floats) -> npt.NDArray[np.intp]:
    """The cases of the first stretch; of one that is not full yet, its own again and again until it is."""
    so_far, n = float((risk * (1 - risk)).sum()), risk.size
    if len(ends) > 1 or so_far >= FIRST_STRETCH:
        return np.arange(ends[0])
    most = max(_LONGEST_FIRST, n)
    return np.arange(min(math.ceil(n * FIRST_STRETCH / so_far), most) if so_far > 0 else most) % n


def _first_of_patient(patient: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """For each case the place of its patient's first one."""
    _, first, which = np.unique(patient, return_index=True, return_inverse=True)
    return np.asarray(first[which.ravel()], dtype=np.intp)


class _Draws:
    """What happens by chance in some of the runs. A stretch's own draws do not change with later ones."""

    def __init__(self, model: RiskModel, x: Floats, first: npt.NDArray[np.intp], runs: range, seed: int) -> None:
        """`first` gives for each case of `x` the place of its patient's first one."""
        self.runs = runs
        self._parts = [slice(at, min(at + _AT_ONCE, runs.stop)) for at in range(runs.start, runs.stop, _AT_ONCE)]
        self._seed, self._first, self._likeness = seed, first, model.likeness
        unlike, where = np.unique(x, axis=0, return_inverse=True)
        self._kind = where.ravel()
        self._risk = [
            model.drawn(unlike, part.stop - part.start, np.random.default_rng([seed, part.start]))
            for part in self._parts
        ]
        self._patients = np.empty((len(runs), first.size if self._likeness > 0 else 0))  # their own draws, at `first`

    def events(self, stretch: int, cases: npt.NDArray[np.intp], *, new: bool = False) -> npt.NDArray[np.bool_]:
        """Which of these cases have the event in which run, shape (cases, runs); those of a patient are alike.

        `new` cases bring patients that come for the first time; of the others all were there before.
        """
        found = np.empty((cases.size, len(self.runs)), dtype=bool)
        many = min(cases.size, self._first.size)  # then they are the same again
        for part, risk in zip(self._parts, self._risk, strict=True):
            rng = np.random.default_rng([self._seed, part.start, stretch])
            drawn = rng.random((3 if self._likeness > 0 else 1, part.stop - part.start, cases.size))
            draw, at = drawn[0], slice(part.start - self.runs.start, part.stop - self.runs.start)
            if self._likeness > 0:
                _, patient, takes = drawn
                if new:
                    self._patients[at, cases[:many]] = patient[:, :many]
                # Two cases that both take their patient's draw are alike: likeness in all. Which patient comes again is
                # not known of the last ones, so a single case takes its patient's draw as often: no other than its own.
                own = self._patients[at].take(self._first[cases], axis=1)
                draw = np.where(takes < math.sqrt(self._likeness), own, draw)
            found[:, at] = (draw < risk.take(self._kind[cases], axis=1)).T
        return found


def _next_limit(came: Floats, ahead: Floats, before: list[float], spent: float) -> float:
    """The limit of the next stretch by which no more than `spent` of all runs has passed.

    `came` are the peaks of the stretches before it, shape (stretches, runs), and `before` their limits; `ahead` those
    of the next, shape (runs,).
    """
    waiting = (came <= np.array(before)[:, None] + 1e-9).all(axis=0)
    may = max(int(spent * waiting.size) - int((~waiting).sum()), 0)
    return float(np.sort(ahead[waiting])[-1 - may])
