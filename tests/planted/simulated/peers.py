"""Practices in which nobody differs but in the teeth that come: how often is one told to stand out all the same?

Teeth of three types, with and without a lesion, first treatments and retreatments, some curved; teeth of one patient
share a normal draw of standard deviation `alike` on the logit. All goes through pipeline.stats, as measures go.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Any

import numpy as np
from scipy.optimize import brentq

from pipeline.measures import process_cusum
from pipeline.measures.kinds.adjusted_funnel import FEWEST_EVENTS, FEWEST_OTHERS
from pipeline.stats import case_mix, cusum, funnel, risk_model

Array = np.ndarray[Any, Any]

KINDS = np.array(list(product(range(3), (0, 1), (0, 1))))  # tooth type, lesion, retreatment
USUAL = np.array([(0.25, 0.30, 0.45)[t] * (0.6, 0.4)[lesion] * (0.8, 0.2)[again] for t, lesion, again in KINDS])
EFFECT = np.array([(-0.3, 0.0, 0.3)[t] + 0.9 * lesion + 0.5 * again for t, lesion, again in KINDS])
TERMS = np.array(
    [[t == 0, t == 1, t == 2, not lesion, lesion, not again, again] for t, lesion, again in KINDS], dtype=float
)
HARD = np.exp(0.8 * EFFECT)  # how much more often a dentist of hard cases sees each kind of tooth
PER_PATIENT = (0.60, 0.28, 0.12)  # patients with one, two and three teeth


@cache
def level(rate: float, alike: float) -> float:
    """The log odds at which the usual teeth have the event at this rate."""
    shared = np.random.default_rng(0).standard_normal(4000) * alike

    def off(b: float) -> float:
        return float(USUAL @ (1 / (1 + np.exp(-(b + EFFECT[:, None] + shared)))).mean(axis=1)) - rate

    return float(brentq(off, -15, 8))


@dataclass(frozen=True)
class Teeth:
    """So many teeth of one dentist: their terms, patients and events."""

    terms: Array
    patient: Array
    event: Array


def drawn(rng: Any, n: int, rate: float, alike: float, odds: float = 1.0, hard: float = 0.0) -> Teeth:
    """`n` teeth; `odds` multiplies the odds of the event, `hard` tilts the mix of teeth, 0 is the usual one."""
    mix = USUAL * HARD**hard
    kind = rng.choice(len(KINDS), size=n, p=mix / mix.sum())
    patient = np.repeat(np.arange(n), rng.choice(3, size=n, p=PER_PATIENT) + 1)[:n]
    shared = alike * rng.standard_normal(n)[patient]
    risk = 1 / (1 + np.exp(-(level(rate, alike) + EFFECT[kind] + shared)))
    return Teeth(TERMS[kind], patient, (rng.random(n) < odds * risk / (1 - risk + odds * risk)).astype(float))


def enough(event: Array, fewest: int = FEWEST_OTHERS) -> bool:
    """Do the others say enough for a risk?"""
    return event.size >= fewest and min(event.sum(), event.size - event.sum()) >= FEWEST_EVENTS


@dataclass(frozen=True)
class Alarms:
    """Of so many series, the share that was told anything, false alarms among those (up, down, either), and power."""

    told: float
    false: float
    up: float
    down: float
    doubled: float
    halved: float
    known_risks: float  # false alarms of the upward sum alone with limits that take the risks as known


def alarms(
    others: int,
    own: int,
    rate: float,
    alike: float,
    series: int,
    *,
    power: bool = True,
    known: bool = True,
    runs: int = 1000,
) -> Alarms:
    """CUSUMs of `own` teeth against `others`: those drawn anew for every series."""
    rng = np.random.default_rng([14, others, own, int(rate * 1000), int(alike * 10)])
    up: list[bool] = []
    down: list[bool] = []
    as_known: list[bool] = []
    doubled: list[bool] = []
    halved: list[bool] = []
    for _ in range(series):
        usual = drawn(rng, others, rate, alike)
        if not enough(usual.event, process_cusum.FEWEST_OTHERS):
            continue
        model = risk_model.fitted(usual.event, usual.terms, usual.patient)
        teeth = drawn(rng, own, rate, alike)
        limits = cusum.limits(model, teeth.terms, teeth.patient, runs=runs)
        passed = _passed(model, teeth, limits)
        up.append(passed[0])
        down.append(passed[1])
        if known:
            sure = risk_model.RiskModel("share", model.coefficient, np.eye(model.coefficient.size) * 1e-18, 0.0)
            ends = cusum.limits(sure, teeth.terms, None, false_alarm=0.1, runs=runs)
            as_known.append(_passed(model, teeth, ends)[0])
        if not power:
            continue
        for odds, found, side in ((2.0, doubled, 0), (0.5, halved, 1)):
            changed = drawn(rng, own, rate, alike, odds)
            ends = cusum.limits(model, changed.terms, changed.patient, runs=runs)
            found.append(_passed(model, changed, ends)[side])

    def share(found: list[bool]) -> float:
        return float(np.mean(found)) if found else 0.0

    either = [a or b for a, b in zip(up, down, strict=True)]
    return Alarms(len(up) / series, *map(share, (either, up, down, doubled, halved, as_known)))


def _passed(model: risk_model.RiskModel, teeth: Teeth, limits: cusum.Limits) -> tuple[bool, bool]:
    """Whether the sum of more events than expected, and that of fewer, passes its limit at any tooth."""
    risk = model.expected(teeth.terms)
    sums = (cusum.cusum(cusum.weights(risk, teeth.event, ratio)) for ratio in (2.0, 0.5))
    up, down = (bool((s > ends + 1e-9).any()) for s, ends in zip(sums, (limits.up, limits.down), strict=True))
    return up, down


@dataclass(frozen=True)
class Outside:
    """Of dentists who do not differ, the shares outside the limits, and of intervals that hold 1."""

    dentists: int
    crude: float
    outside_95: float
    outside_998: float
    held: float
    shrunken_apart: float  # of all dentists: drawn ratio off 1 by more than a tenth


def practices(
    number: int, rate: float, alike: float, dentists: int, sizes: tuple[int, int], kind: str = "share"
) -> Outside:
    """So many practices of so many dentists, each with a mix of teeth of the own."""
    rng = np.random.default_rng([15, int(rate * 1000), int(alike * 10), dentists, sizes[0]])
    crude, near, far, held, apart = 0, 0, 0, 0, 0
    total = 0
    for _ in range(number):
        hard = rng.normal(0, 1, dentists)
        own = [drawn(rng, int(rng.integers(*sizes)), rate, alike, hard=h) for h in hard]
        n, events = np.array([t.event.size for t in own]), np.array([t.event.sum() for t in own])
        simple = funnel.binomial_steps(events.sum() / n.sum(), n)
        known = []
        for i, teeth in enumerate(own):
            rest = [t for j, t in enumerate(own) if j != i]
            y = np.concatenate([t.event for t in rest])
            if not enough(y):
                continue
            patient = np.concatenate([t.patient + 10_000 * j for j, t in enumerate(rest)])
            model = risk_model.fitted(y, np.concatenate([t.terms for t in rest]), patient, kind)
            of = case_mix.expected(model, teeth.terms, teeth.patient)
            observed = float(events[i])
            known.append((observed, of))
            low_998, low, high, high_998 = case_mix.limits(of)
            crude += not simple[i, 1] <= observed / n[i] <= simple[i, 2]
            near += not low <= observed <= high
            far += not low_998 <= observed <= high_998
            ends = case_mix.interval(of, observed)
            held += ends[0] <= 1 <= ends[1]
            total += 1
        drawn_in = case_mix.shrunken(known, float(events.sum() / n.sum())) or []
        apart += sum(abs(r - 1) > 0.1 for r in drawn_in)
    return Outside(total, *(x / max(total, 1) for x in (crude, near, far, held, apart)))
