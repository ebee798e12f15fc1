"""The practice at work: patients, treatments, canals, visits, instrument uses and the instruments themselves.

Frames hold canonical columns plus working columns (leading underscore) that say what the records do not: the true
class of the outcome, the true curvature, the hazards. Arrays only; loops run over passes, never over records.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from demo_data.canals import canals_of, timed
from demo_data.cases import cases_of
from demo_data.diary import close, visits_of
from demo_data.instruments import uses_of


@dataclass(frozen=True)
class Work:
    """What was done: canonical frames with working columns, in the order in which it happened."""

    treatments: pl.DataFrame
    canals: pl.DataFrame
    visits: pl.DataFrame
    uses: pl.DataFrame
    instruments: pl.DataFrame


def at_work(seed: int, treatments: int) -> Work:
    """Three years of work, about this many treatments."""
    cases = cases_of(seed, treatments)
    canals = canals_of(seed, cases)
    visits = visits_of(seed, cases, canals)
    cases = close(seed, cases, visits)
    canals = timed(
        seed,
        canals.join(
            visits.filter("_planned").select("_case", "_visit", "_seated", "_opening", seat="dentist"),
            on=["_case", "_visit"],
        ),
    )
    canals = canals.sort("_case", "_order")
    uses, instruments = uses_of(seed, canals)
    return Work(cases, canals, visits, uses, instruments)
