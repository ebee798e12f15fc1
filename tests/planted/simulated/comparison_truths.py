"""Practices whose sequences are compared: what makes two groups of teeth differ is written down, and so is the truth.

A practice is three dentists and 300 patients of one to four teeth. Healing hangs on tooth type, lesion, kind, dentist
and months to the review, and on what a patient's teeth share (standard deviation `alike` of the logit); so does which
sequence is taken, but for the review. Sequences have no effect, or A heals 10 of 100 teeth fewer, of whatever kind.
Of three teeth one is never seen again. Practices stand in one store one after another in time, and are asked for by
their days: all goes the program's own way, from the store's tables by facts and measures to the sentence.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.measures.run import Workspace
from pipeline.measures.sentence import verdict, with_sentences
from pipeline.settings import Settings
from pipeline.store.database import in_memory

TOGETHER = 40  # practices in one store
FIRST_YEAR, YEARS = 1600, 5  # of a practice: two years of treatments, two of reviews, and one to the next
EFFECT = -0.10

Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class World:
    """What is so in a kind of practice."""

    title: str
    alike: float = 0.0  # standard deviation, on the logit, of what a patient's teeth share
    effect: float = 0.0  # of A on the share that heals
    dentists: float = 0.0  # how unequally dentists use the sequences, who heal unequally
    later: float = 0.0  # how much later, of a year, teeth with A are reviewed
    sequences: tuple[str, ...] = ("A", "B")


WORLDS = {
    "alike 0": World("easier teeth with A"),
    "alike 1": World("easier teeth with A, a patient's teeth alike (SD 1)", alike=1.0),
    "alike 2": World("easier teeth with A, a patient's teeth alike (SD 2)", alike=2.0),
    "dentist": World("one dentist heals more and mostly uses A (SD 1)", alike=1.0, dentists=1.2),
    "later": World("A is reviewed two months later (SD 1)", alike=1.0, later=1 / 6),
    "effect": World(
        "A heals 10 of 100 fewer; dentist, review times, easier teeth (SD 1)", 1.0, EFFECT, dentists=0.8, later=0.25
    ),
}
FOUR = World("four sequences, easier teeth (SD 1)", alike=1.0, sequences=("A", "B", "C", "D"))


def _logistic(x: Array) -> Array:
    return 1 / (1 + np.exp(-x))


def _records(world: World, number: int) -> dict[str, pl.DataFrame]:
    rng = np.random.default_rng([2028, number])
    patients = 300
    teeth_of = rng.choice([1, 2, 3, 4], patients, p=[0.55, 0.25, 0.12, 0.08])
    patient = np.repeat(np.arange(patients), teeth_of)
    n = patient.size
    dentist = rng.integers(0, 3, patients)[patient]
    kind, lesion, tooth = rng.random(n) < 0.2, rng.random(n) < 0.4, rng.integers(0, 3, n)
    shared, taste = rng.normal(0, 1, patients)[patient], rng.normal(0, 0.8, patients)[patient]
    begun = dt.date(FIRST_YEAR + YEARS * number, 1, 1)
    day = rng.integers(0, 730, n)
    leaning = 0.5 - 1.2 * lesion - 0.4 * (tooth == 2) + world.dentists * (dentist - 1.0) + taste
    if len(world.sequences) == 2:
        choice = np.where(leaning + rng.logistic(size=n) > 0, 0, 1)
    else:
        choice = np.argmax(np.outer(leaning, [0.6, 0.2, -0.2, -0.6]) + rng.gumbel(size=(n, 4)), axis=1)
    wait = (12.3 + 11.5 * rng.beta(2, 3, n) * (1 - world.later) + 12 * world.later * (choice == 0)) * 30.4375
    months = np.clip(wait, 370, 720) / 30.4375
    logit = 1.0 - 1.0 * lesion - 0.4 * (tooth == 2) - 0.5 * kind + 0.25 * (months - 17) + world.alike * shared
    logit = logit + (0.6 * (dentist - 1.0) if world.dentists else 0.0)
    chance = 0.1 + 0.9 * _logistic(logit) + world.effect * (choice == 0)
    healed, seen = rng.random(n) < chance, rng.random(n) < 2 / 3
    ids = pl.Series([f"{number}/{i:04}" for i in range(n)])
    completed = pl.Series(np.datetime64(begun) + day)
    reviewed = pl.Series(np.datetime64(begun) + day + np.round(months * 30.4375).astype(int))
    return {
        "treatments": pl.DataFrame(
            {
                "treatment_id": ids,
                "patient_id": pl.Series(patient).cast(pl.String) + f"/{number}",
                "tooth": np.array([11, 24, 36])[tooth],
                "dentist": pl.Series(dentist).cast(pl.String) + f"/{number}",
                "kind": np.where(kind, "retreatment", "primary"),
                "preop_pai": np.where(lesion, 4, 2),
                "started_on": completed,
                "completed_on": completed,
                "status": "completed",
            }
        ),
        "canals": pl.DataFrame(
            {"treatment_id": ids, "canal": "B", "sequence": np.array(world.sequences)[choice]}
        ),
        "follow_ups": pl.DataFrame(
            {
                "treatment_id": ids,
                "follow_up_id": ids,
                "seen_on": reviewed,
                "image": "periapical",
                "pai": np.where(healed, 1, 4),
                "pain": False,
                "tooth_present": True,
            }
        ).filter(pl.Series(seen)),
    }  # fmt: skip


def rows_of(world: World, numbers: Iterable[int]) -> list[list[dict[str, Any]]]:
    """The rows of each practice's comparison, with their sentences."""
    every, out = list(numbers), []
    for first in range(0, len(every), TOGETHER):
        connection = in_memory()
        batch = every[first : first + TOGETHER]
        parts = [_records(world, number) for number in batch]
        for at, kind in enumerate(parts[0]):
            whole = pl.concat([part[kind] for part in parts])
            whole = whole.with_columns(practice=pl.lit("p"), batch_id=at).with_row_index("record_no")
            connection.register("simulated", whole)
            connection.execute(f"insert into {kind} by name select * from simulated")
            connection.unregister("simulated")
        work = Workspace(connection, Settings(), dt.date(FIRST_YEAR + YEARS * (batch[-1] + 1), 1, 1))
        for number in batch:
            year = FIRST_YEAR + YEARS * number
            result = work.compute("sequence_comparison", start=dt.date(year, 1, 1), end=dt.date(year + 4, 12, 31))
            out.append(with_sentences(result, 0.95).rows)
        connection.close()
    return out


COLUMNS = {
    "headline": ("estimate", "low", "high"),
    "standardised": ("standardised_difference", "standardised_low", "standardised_high"),
    "inverse probability": ("weighted_difference", "weighted_low", "weighted_high"),
    "Mantel-Haenszel": ("mantel_haenszel_difference", "mantel_haenszel_low", "mantel_haenszel_high"),
    "crude": ("crude_difference", "crude_low", "crude_high"),
}


def tally(world: World, practices: list[list[dict[str, Any]]]) -> pl.DataFrame:
    """A row an estimate of A less B: how often it was given, its interval held the truth, and how far off it was."""
    out = []
    for name, (estimate, low, high) in COLUMNS.items():
        held, off, given = 0, [], 0
        for (row,) in practices:
            if row[low] is None:
                continue
            given += 1
            sign = 1 if row["sequence"] == "A" else -1
            off.append(sign * row[estimate] - world.effect)
            held += row[low] <= sign * world.effect <= row[high]
        spread = float(np.std(off, ddof=1) / np.sqrt(len(off)))
        out.append({"figure": name, "practices": given, "held": held, "bias": float(np.mean(off)), "error": spread})
    return pl.DataFrame(out)


def shown(practices: list[list[dict[str, Any]]]) -> int:
    """In how many practices a difference is shown between any two sequences."""
    return sum(any(verdict(row) == "difference shown" for row in rows) for rows in practices)


def disagreeing(practices: list[list[dict[str, Any]]]) -> int:
    """In how many practices strata are said to disagree, of any pair."""
    return sum(any("strata may disagree" in row["sentence"] for row in rows) for rows in practices)
