"""Practices whose teeth, visits or canals of one patient are alike, with the truth that follows from how they are drawn.

`sd` is the standard deviation of what a patient's units share, on the logarithm of a hazard, of minutes, or on log
odds: 0, 1 and 2 are none, much and very much. Figures are of no source.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.stats import rates, times
from pipeline.stats.logrank import logrank
from pipeline.stats.risk_ratio import clustered_ratio
from pipeline.stats.survival import kaplan_meier
from pipeline.stats.weighting import weighted_share
from pipeline.store.database import in_memory

Array = np.ndarray[Any, Any]
Found = tuple[float, float | None, float | None, float | None]  # truth, estimate, low, high

NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(60)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


def patients(rng: np.random.Generator, many: int, most: int = 6) -> Array:
    """The patient of each unit: from 1 to `most` units each."""
    return np.repeat(np.arange(many), rng.integers(1, most + 1, many))


def survival(seed: int, sd: float, many: int = 120) -> Found:
    """Teeth still there at 24 months; losses at a constant hazard that a patient's teeth share, random last visits."""
    rng = np.random.default_rng([11, seed, int(sd * 10)])
    who = patients(rng, many)
    hazard = 0.012 * np.exp(rng.normal(0, sd, many))[who]
    lost, seen = rng.exponential(1 / hazard), rng.uniform(3, 60, who.size)
    curve = kaplan_meier(np.minimum(lost, seen), lost <= seen, cluster=who)
    at = curve.at(24)
    assert at is not None
    truth = float(WEIGHTS @ np.exp(-24 * 0.012 * np.exp(sd * NODES)))
    return truth, at.estimate, at.low, at.high


def median(seed: int, sd: float, many: int = 120) -> Found:
    """Minutes of visits: half of the spread of their logarithm is the visit's own, `sd` times as much the patient's."""
    rng = np.random.default_rng([12, seed, int(sd * 10)])
    who = patients(rng, many)
    minutes = np.round(60 * np.exp(0.3 * (rng.normal(0, sd, many)[who] + rng.normal(0, 1, who.size))), 1)
    found = times.summary(minutes, cluster=who)
    return 60.0, found.median, found.low, found.high


def separations(seed: int, sd: float, many: int = 300) -> Found:
    """Separations per canal at a rate that a patient's canals share."""
    rng = np.random.default_rng([13, seed, int(sd * 10)])
    who = patients(rng, many)
    rate = 0.02 * np.exp(rng.normal(0, sd, many) - sd**2 / 2)
    events = rng.poisson(rate[who])
    y, n = np.bincount(who, weights=events), np.bincount(who).astype(float)
    low, high = rates.clustered_garwood(y.sum(), n.sum(), n.sum(), many, (y * y).sum(), (y * n).sum(), (n * n).sum())
    return 0.02, float(y.sum() / n.sum()), float(low), float(high)


def weighted(seed: int, sd: float, many: int = 120) -> Found:
    """Healed teeth of those seen, weighted; those with a lesion come less often and heal less."""
    rng = np.random.default_rng([14, seed, int(sd * 10)])
    who = patients(rng, many)
    lesion = rng.random(who.size) < 0.4
    shared = rng.normal(0, sd, many)[who]
    healed = rng.random(who.size) < _logistic(1.5 - lesion + shared)
    seen = rng.random(who.size) < np.where(lesion, 0.5, 0.8)
    found = weighted_share(seen, healed & seen, [lesion], who)
    truth = sum(share * float(WEIGHTS @ _logistic(1.5 - mark + sd * NODES)) for mark, share in ((0, 0.6), (1, 0.4)))
    return truth, found.estimate, found.low, found.high


def _logistic(x: Any) -> Any:
    return 1 / (1 + np.exp(-x))


def logrank_p(seed: int, sd: float, many: tuple[int, int] = (60, 60)) -> float | None:
    """p of two groups of patients whose teeth are lost at the same rate: any verdict is false."""
    rng = np.random.default_rng([15, seed, int(sd * 10), *many])
    who = patients(rng, sum(many))
    hazard = 0.012 * np.exp(rng.normal(0, sd, sum(many)))[who]
    lost, seen = rng.exponential(1 / hazard), rng.uniform(3, 60, who.size)
    return logrank(np.minimum(lost, seen), lost <= seen, who < many[0], cluster=who).p


def factor_p(seed: int, sd: float, many: int = 150) -> tuple[float | None, bool | None]:
    """p of a factor that half of the patients have in all their canals, and changes nothing; does its interval hold 1."""
    rng = np.random.default_rng([16, seed, int(sd * 10)])
    who = patients(rng, many)
    exposed = (who % 2).astype(int)
    event = rng.random(who.size) < _logistic(-2.5 + rng.normal(0, sd, many)[who])
    found = clustered_ratio(rng.integers(0, 3, who.size), exposed, who, event, np.ones(who.size))
    held = None if found.p is None else (found.low or 0) <= 1 <= (np.inf if found.high is None else found.high)
    return found.p, held


@dataclass(frozen=True)
class Watched:
    """What becomes of teeth until the data date, in months: hazards of retreatment and of extraction, and visits."""

    retreatment: float = 0.006
    extraction: float = 0.004
    alike: float = 0.5  # chance that a tooth takes its patient's draw
    comes: float = 0.7  # share of patients ever seen again


AS_OF = dt.date(2026, 6, 30)
MONTH = 30.4375


def event_free(numbers: range, of: Watched, at: float = 24.0) -> Iterator[tuple[Found, Found]]:
    """By practice: the program's answer from the store, and that of ending every tooth at its last visit, as it once did.

    Teeth are completed over five years. Those who come are seen 5 to 16 months after, and again 6 to 14 months later as
    long as they come. An extraction is told, with its day, at the next visit; a retreatment stands in the records at
    once, and after it nobody sees the first treatment again.
    """
    connection = in_memory()
    drawn = {}
    for number in numbers:
        rng = np.random.default_rng([17, number])
        who = patients(rng, 250, 3)
        n = who.size
        done = np.floor(rng.uniform(30, 60 * MONTH, n))  # days before the data date
        u = [
            np.where(rng.random(n) < of.alike, rng.random(250)[who], rng.random(n))
            for _ in ("retreatment", "extraction")
        ]
        again, lost = (np.ceil(-np.log(v) / h * MONTH) for v, h in zip(u, (of.retreatment, of.extraction), strict=True))
        visits = np.cumsum(
            np.column_stack([rng.uniform(5, 16, n), *(rng.uniform(6, 14, n) for _ in range(5))]) * MONTH, axis=1
        )
        visits = np.floor(visits)
        keeps_coming = np.cumprod(rng.random((n, 6)) < np.array([1, 0.7, 0.7, 0.7, 0.7, 0.7]), axis=1).astype(bool)
        came = keeps_coming & (rng.random(250) < of.comes)[who][:, None] & (visits <= done[:, None])
        again_known = (again < lost) & (again <= done)
        before = came & (visits < np.where(again_known, again, np.inf)[:, None])
        alive = before & (visits < lost[:, None])
        told = before & (visits >= lost[:, None])
        is_told = told.any(axis=1)
        last = np.where(alive, visits, -1).max(axis=1)
        _put(connection, number, who, done, again, again_known, alive, told, visits, lost)
        event = np.where(again_known, again, np.where(is_told, lost, np.inf))
        once = np.isfinite(event) | (last >= 0)
        old = kaplan_meier(np.where(np.isfinite(event), event, last)[once] / MONTH, np.isfinite(event)[once])
        drawn[f"{number:04}"] = old.at(at)
    found = Workspace(connection, Settings(), AS_OF).compute("event_free_survival", by=("dentist",)).rows
    connection.close()
    truth = float(np.exp(-(of.retreatment + of.extraction) * at))
    for row in found:
        if row["time"] == at and row["dentist"] in drawn:
            old = drawn[row["dentist"]]
            assert old is not None
            yield (truth, row["estimate"], row["low"], row["high"]), (truth, old.estimate, old.low, old.high)


def _put(
    connection: Any,
    number: int,
    who: Array,
    done: Array,
    again: Array,
    again_known: Array,
    alive: Array,
    told: Array,
    visits: Array,
    lost: Array,
) -> None:
    """A practice's records into the store's tables; its dentist has its number as a name."""
    name = f"{number:04}"
    completed = np.datetime64(AS_OF) - done.astype(int)
    ids = np.char.add("T", np.arange(who.size).astype(str))
    place = np.arange(who.size) - np.searchsorted(who, who)
    first = {
        "treatment_id": ids,
        "patient_id": np.char.add(f"{name}/", who.astype(str)),
        "tooth": np.array([16, 26, 36])[place],
        "dentist": np.full(who.size, name),
        "kind": np.full(who.size, "primary"),
        "started_on": completed,
        "completed_on": completed,
    }
    k = np.flatnonzero(again_known)
    second = {key: value[k] for key, value in first.items()}
    second["treatment_id"] = np.char.add("R", np.arange(who.size).astype(str))[k]
    second["kind"] = np.full(k.size, "retreatment")
    second["dentist"] = np.full(k.size, f"again {name}")
    second["started_on"] = second["completed_on"] = completed[k] + again[k].astype(int)
    treatments = {key: np.concatenate([first[key], second[key]]) for key in first}
    first_told = told & (np.cumsum(told, axis=1) == 1)
    tooth, nth = np.nonzero(alive | first_told)
    gone = first_told[tooth, nth]
    day = completed[tooth] + lost[tooth].astype(int)
    seen = {
        "follow_up_id": np.arange(tooth.size).astype(str),
        "treatment_id": ids[tooth],
        "seen_on": completed[tooth] + visits[tooth, nth].astype(int),
        "tooth_present": ~gone,
        "lost_on": np.where(gone, day, np.datetime64("NaT")),
        "lost_reason": np.where(gone, "fracture", None),
    }
    for batch, (kind, columns) in enumerate({"treatments": treatments, "follow_ups": seen}.items()):
        frame = pl.DataFrame(
            {key: pl.Series(key, value.tolist() if value.dtype == object else value) for key, value in columns.items()}
        )
        if kind == "treatments":
            frame = frame.with_columns(status=pl.lit("completed"))
        whole = frame.with_columns(practice=pl.lit(name), batch_id=batch).with_row_index("record_no")
        connection.register("drawn", whole)
        connection.execute(f"insert into {kind} by name select * from drawn")
        connection.unregister("drawn")
