"""Does a ratio of separation rates hold the truth, and how often is a difference shown that is none?

Practices are drawn as counts of uses and separations by patient, tooth type, curvature and use number: the first
sequence has the harder canals. With `alike`, patients (and instruments, each of some uses) have a rate of their own,
log-normal; an instrument that separated is used no more. The verdict is that of `separation_comparison`, dentists left
out. The slow run makes a table of the guide (tests/tables.py).
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from pipeline.guide.tables import AT_LEAST
from pipeline.measures import rate_sentence
from pipeline.measures.kinds.rate_comparison import among_like
from tests.tables import publish

STRATA = 12
HARD = np.linspace(0.3, 3.0, STRATA)  # times the usual rate


@dataclass(frozen=True)
class Case:
    says: str
    expected: float  # separations on the reference's side
    ratio: float
    patients: int = 300  # a side
    patient_sd: float = 0.0  # of the logarithm of a patient's own rate
    instrument_sd: float = 0.0
    both: float = 0.0  # share of patients who are treated with both


CASES = [
    *(Case(f"{e:g} expected", e, r) for e in (0.5, 1, 3) for r in (1.0, 3.0)),
    *(Case(f"{e:g} expected, patients alike (SD 1)", e, r, patient_sd=1.0) for e in (1, 3) for r in (1.0, 3.0)),
    Case("3 expected, instruments alike (SD 1)", 3, 1.0, instrument_sd=1.0),
    *(Case(f"{e:g} expected", e, r) for e in (12, 40) for r in (1.0, 2.0)),
    *(Case(f"{e:g} expected, patients alike (SD 1)", e, r, patient_sd=1.0) for e in (12, 40) for r in (1.0, 2.0)),
    Case("3 expected, patients alike (SD 2)", 3, 1.0, patient_sd=2.0),
    Case("40 expected, patients alike (SD 2)", 40, 1.0, patient_sd=2.0),
    Case("12 expected, instruments alike (SD 1)", 12, 1.0, instrument_sd=1.0),
    Case("12 expected, half the patients with both, alike (SD 1)", 12, 1.0, patient_sd=1.0, both=0.5),
    Case("12 expected, 40 patients, alike (SD 1)", 12, 1.0, patients=40, patient_sd=1.0),
    Case("12 expected, 40 patients, alike (SD 2)", 12, 1.0, patients=40, patient_sd=2.0),
]


def drawn(case: Case, rng: np.random.Generator) -> tuple[Any, ...]:
    """Separations, uses, side, stratum, patient and dentistless strata: one element a patient, side and stratum."""
    parts = []
    own_rate = rng.lognormal(-(case.patient_sd**2) / 2, case.patient_sd, (2, case.patients))
    shared = rng.random(case.patients) < case.both
    own_rate[0, shared] = own_rate[1, shared]
    for place, side in enumerate((True, False)):
        # Two canals a patient, each of a stratum; the first sequence has more of the hard ones.
        lean = np.arange(1, STRATA + 1) if side else np.arange(STRATA, 0, -1)
        stratum = rng.choice(STRATA, (case.patients, 2), p=lean / lean.sum())
        uses = rng.integers(2, 9, (case.patients, 2))
        code = np.where(shared, np.arange(case.patients), np.arange(case.patients) + place * case.patients)
        parts.append((np.full(stratum.shape, side), stratum, uses, np.broadcast_to(code[:, None], stratum.shape)))
    rate = [HARD[stratum] * uses for _, stratum, uses, _ in parts]
    base = case.expected / rate[1].sum()
    out = []
    for place, (side, stratum, uses, code) in enumerate(parts):
        chance = base * HARD[stratum] * own_rate[place][:, None] * (case.ratio if place == 0 else 1.0)
        if case.instrument_sd:  # an instrument serves eight canals in a row, of several patients, until it separates
            flat = rng.permutation(stratum.size)
            instrument = np.empty(stratum.size, dtype=int)
            instrument[flat] = np.arange(stratum.size) // 8
            own = rng.lognormal(-(case.instrument_sd**2) / 2, case.instrument_sd, instrument.max() + 1)
            chance = chance * own[instrument].reshape(chance.shape)
            y = (rng.random(chance.shape) < 1 - (1 - np.minimum(chance, 0.5)) ** uses).astype(float)
            broken = np.full(instrument.max() + 1, stratum.size)
            order = np.empty(stratum.size, dtype=int)
            order[flat] = np.arange(stratum.size)
            np.minimum.at(broken, instrument, np.where(y.ravel() > 0, order, stratum.size))
            kept = (order <= broken[instrument]).reshape(chance.shape)
            out.append((y * kept, uses * kept, side, stratum, code))
        else:
            out.append((rng.binomial(uses, np.minimum(chance, 0.5)).astype(float), uses, side, stratum, code))
    y, n, side, stratum, code = (np.concatenate([o[i].ravel() for o in out]) for i in range(5))
    return y, n.astype(float), side.astype(bool), stratum, code


def judged(case: Case, practices: int, seed: int) -> dict[str, float]:
    """Shares of the practices with limits: covered; of all: a difference shown; how many had limits."""
    rng = np.random.default_rng(seed)
    covered = shown = limits = 0
    for _ in range(practices):
        y, n, side, stratum, code = drawn(case, rng)
        row = among_like(y, n, side, stratum, code, 0.95)
        row |= {
            "events": y[side].sum(),
            "events_reference": y[~side].sum(),
            "rate_high": 1.0,
            "rate_reference_high": 1.0,
            "patients": case.patients,
            "patients_reference": case.patients,
            "p_adjusted": row["p_value"],
            "dentist_events": None,
        }
        shown += rate_sentence.verdict(row) == "difference shown"
        if row["low"] is not None:
            limits += 1
            covered += row["low"] <= case.ratio and (row["high"] is None or row["high"] >= case.ratio)
    return {"covered": covered / limits, "shown": shown / practices, "limits": limits / practices}


def held(case: Case, found: dict[str, float], practices: int) -> None:
    """At least 93 % covered, at most 5 % false verdicts, each with 3 standard errors of so many practices."""
    slack = 3 * np.sqrt(0.95 * 0.05 / practices)
    assert found["covered"] >= 0.95 - slack - 0.0, (case, found)
    if case.ratio == 1:
        assert found["shown"] <= 0.05 + slack, (case, found)


@pytest.mark.parametrize("case", [c for c in CASES if c.expected in (1, 12)], ids=lambda c: f"{c.says}, {c.ratio:g}")
def test_ratios_hold_the_truth_in_forty_practices(case: Case) -> None:
    held(case, judged(case, 40, seed=14), 40)


@pytest.mark.slow
def test_ratios_hold_the_truth() -> None:
    """Table first, so that it is seen whatever comes of it."""
    practices = int(os.environ.get("SIMULATED_PRACTICES", "200"))
    found = [(case, judged(case, practices, seed=7)) for case in CASES]
    columns = ("separations with the reference", "ratio", "covered", "should be", "shown", "limits")
    lines = [
        (case.says, f"{case.ratio:g}", _share(f["covered"]), AT_LEAST, _share(f["shown"]), _share(f["limits"]))
        for case, f in found
    ]
    title, drawn = (
        "Separations of two sequences compared, the first with the harder canals",
        f"{practices:,} practices a line",
    )
    publish("separation_ratios", title, columns, lines, drawn=drawn, seeds="seed 7 a line")
    for case, f in found:
        held(case, f, practices)


def _share(value: float) -> str:
    return f"{100 * value:.1f} %"
