"""Simulated practices whose teeth heal on a day that nobody sees: only follow-ups tell whether it has passed.

Nothing here is taken from the program. A practice's number gives it a curve of healing (`Truth`), so that the true
share healed by any time is a formula. Teeth of a patient are alike: their healing times share a normal draw. Of teeth
that never heal some need an intervention after a follow-up, and look healed later: that is no healing by the
treatment.

Figures are chosen to lie where a practice's may lie; they are of no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import polars as pl
from scipy import stats

from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory

from .coverage import CAUTIOUS, TOGETHER
from .simulation import AS_OF, FIRST_DAY

Array = np.ndarray[Any, Any]
MONTH = 30.4375  # days
COMPLETED_WITHIN = 1800  # days from the first; all that is planned lies before AS_OF
ALIKE = 0.6  # correlation of the normal draws of a patient's teeth
CURVES = ("Weibull", "log-normal", "some never heal", "fast and slow")
INTERVENED, EARLIEST = 0.3, 427  # of teeth that never heal and are seen later than these days
LONG = np.linspace(0, 600, 60_001)  # months


@dataclass(frozen=True)
class Truth:
    """The curve of one practice, and how many patients it has."""

    number: int
    curve: str
    patients: int
    middle: float  # months
    shape: float
    heal: float  # share that ever does

    @classmethod
    def of(cls, number: int) -> Truth:
        rng = np.random.default_rng([1401, number])
        curve = CURVES[number % len(CURVES)]
        return cls(
            number=number,
            curve=curve,
            patients=int(rng.integers(80, 400)),
            middle=rng.uniform(6, 12),
            shape=rng.uniform(1, 1.6),
            heal=rng.uniform(0.65, 0.9) if curve == "some never heal" else 1.0,
        )

    def healed(self, months: Array | float) -> Array:
        """Share of teeth healed by their own so many months after completion."""
        t = np.asarray(months, dtype=float)
        if self.curve == "log-normal":
            return stats.norm.cdf(np.log(np.maximum(t, 1e-9) / self.middle) / 0.8)
        weibull = -np.expm1(-np.log(2) * (t / self.middle) ** self.shape)
        if self.curve == "fast and slow":
            return 0.55 * -np.expm1(-np.log(2) * (t / 4) ** self.shape) + 0.45 * -np.expm1(-((t / 26) ** 2.2))
        return self.heal * weibull


@dataclass(frozen=True)
class Plan:
    """When teeth are looked at, and the times whose figures are held against the truth."""

    name: str
    visits: Callable[[np.random.Generator, int], Array]  # months, one row a tooth; NaN: not come
    times: tuple[float, ...]
    between: tuple[float, ...] = ()  # times far from any visit


def _near(rng: np.random.Generator, n: int) -> Array:
    """Within weeks of 6, 12 and 24 months; three in ten do not come."""
    months = np.array([6.0, 12.0, 24.0]) + rng.normal(0, 0.7, (n, 3))
    return np.where(rng.random((n, 3)) < 0.7, months, np.nan)


def _any(rng: np.random.Generator, n: int) -> Array:
    months = rng.uniform(3, 40, (n, 3))
    return np.where(np.arange(3) < rng.integers(1, 4, n)[:, None], months, np.nan)


def _recalls(rng: np.random.Generator, n: int) -> Array:
    return rng.uniform(11, 14, (n, 1))


PLANS = (
    Plan("visits near 6, 12, 24 months", _near, (6, 12, 24), between=(18,)),
    Plan("visits in any month", _any, (6, 12, 18, 24, 36)),
    Plan("recalls at 11 to 14 months", _recalls, (12,)),
)


def figure(time: float, plan: Plan) -> str:
    return f"healed by {time:g} months, {plan.name}"


CAUTIOUS.update(
    {
        figure(time, plan): "between visits far apart limits reach from those before to those after"
        for plan in PLANS
        for time in plan.between
    }
)


class Teeth:
    """The records of one practice: treatments of teeth with a lesion, and their follow-ups."""

    def __init__(self, true: Truth, plan: Plan) -> None:
        self.true, self.name = true, f"{true.number:04}"
        rng = np.random.default_rng([1402, true.number, len(plan.name)])
        teeth_of = rng.choice([1, 2, 3], true.patients, p=[0.6, 0.25, 0.15])
        self.patient = np.repeat(np.arange(true.patients), teeth_of)
        self.place = np.arange(self.patient.size) - np.repeat(np.cumsum(teeth_of) - teeth_of, teeth_of)
        n = self.n = self.patient.size
        shared = rng.standard_normal(true.patients)[self.patient]
        u = stats.norm.cdf(np.sqrt(ALIKE) * shared + np.sqrt(1 - ALIKE) * rng.standard_normal(n))
        by = true.healed(LONG)
        self.heals = np.where(u < by[-1], np.interp(u, by, LONG), np.inf) * MONTH  # days after completion
        self.completed = FIRST_DAY + rng.integers(0, COMPLETED_WITHIN, n)
        self.seen = np.ceil(plan.visits(rng, n) * MONTH)
        # One intervenes some weeks after a follow-up at which the tooth was not healed, the first beyond 14 months.
        late = np.where(self.seen > EARLIEST, self.seen, np.inf).min(axis=1)
        never = np.isinf(self.heals) & (rng.random(n) < INTERVENED)
        self.intervened = np.where(never, late + rng.integers(7, 60, n), np.inf)
        self.how = rng.choice(["retreatment", "surgery", "extraction"], n)

    def treatments(self) -> pl.DataFrame:
        again = np.flatnonzero(np.isfinite(self.intervened) & (self.how == "retreatment"))
        tooth = np.concatenate([np.arange(self.n), again])
        second = np.arange(tooth.size) >= self.n
        started = self.completed[tooth] + np.where(second, np.where(second, self.intervened[tooth], 0), 0).astype(int)
        completed = pl.Series(started)
        return pl.DataFrame(
            {
                "treatment_id": [f"{'R' if s else 'T'}{t}" for t, s in zip(tooth, second, strict=True)],
                "patient_id": pl.Series(self.patient[tooth]).cast(pl.String),
                "tooth": np.array([11, 14, 16])[self.place[tooth]],
                "dentist": self.name,
                "kind": np.where(second, "retreatment", "primary"),
                "preop_pai": np.where(second, None, 5).astype(object),
                "started_on": started,
                "completed_on": completed,
                "status": np.where(second, "in progress", "completed"),
                "again": second,
            }
        ).select(
            pl.exclude("again", "completed_on", "preop_pai"),
            pl.when(~pl.col("again")).then("completed_on").alias("completed_on"),
            pl.when(~pl.col("again")).then(pl.lit(5)).alias("preop_pai"),
        )

    def follow_ups(self) -> pl.DataFrame:
        """Visits say healed or not; after an intervention the tooth looks healed, after an extraction it is gone."""
        tooth, visit = np.nonzero(~np.isnan(self.seen))
        day = self.seen[tooth, visit]
        after = day >= self.intervened[tooth]
        kept = ~(after & (self.how[tooth] == "extraction"))
        healed = (self.heals[tooth] <= day) | after
        # The extraction and the surgery are told on their day.
        told = np.flatnonzero(np.isfinite(self.intervened) & (self.how != "retreatment"))
        tooth, day = np.concatenate([tooth[kept], told]), np.concatenate([day[kept], self.intervened[told]])
        own_day = np.arange(tooth.size) >= kept.sum()
        gone, cut = own_day & (self.how[tooth] == "extraction"), own_day & (self.how[tooth] == "surgery")
        pai = np.concatenate([np.where(healed[kept], 2, 4), np.full(told.size, 4)])
        seen_on = pl.Series(self.completed[tooth] + day.astype(int))
        return pl.DataFrame(
            {
                "follow_up_id": pl.Series(np.arange(tooth.size)).cast(pl.String),
                "treatment_id": [f"T{t}" for t in tooth],
                "seen_on": seen_on,
                "image": np.where(gone, "none", "periapical"),
                "pai": pl.Series(pai),
                "pain": False,
                "tooth_present": ~gone,
                "gone": gone,
                "cut": cut,
            }
        ).select(
            pl.exclude("gone", "cut", "pai"),
            pl.when(~pl.col("gone")).then("pai").alias("pai"),
            pl.when("gone").then("seen_on").alias("lost_on"),
            pl.when("gone").then(pl.lit("endodontic")).alias("lost_reason"),
            pl.when("cut").then("seen_on").alias("surgery_on"),
        )

    def store(self, connection: duckdb.DuckDBPyConnection) -> None:
        for batch, (kind, records) in enumerate(
            {"treatments": self.treatments(), "follow_ups": self.follow_ups()}.items()
        ):
            whole = records.with_columns(practice=pl.lit(self.name), batch_id=batch).with_row_index("record_no")
            connection.register("simulated", whole)
            connection.execute(f"insert into {kind} by name select * from simulated")
            connection.unregister("simulated")


def answers(numbers: Iterable[int], plan: Plan) -> list[tuple[Truth, list[dict[str, Any]]]]:
    """Each practice with the rows that the program answers."""
    every, out = list(numbers), []
    for start in range(0, len(every), TOGETHER):
        connection = in_memory()
        truths = {}
        for number in every[start : start + TOGETHER]:
            teeth = Teeth(Truth.of(number), plan)
            teeth.store(connection)
            truths[teeth.name] = teeth.true
        rows = Workspace(connection, Settings(), AS_OF).compute("time_to_healing", by=("dentist",)).rows
        connection.close()
        out += [(true, [row for row in rows if row["dentist"] == name]) for name, true in truths.items()]
    return out


def simulate(numbers: Iterable[int], plan: Plan) -> pl.DataFrame:
    """A row a practice and figure, as `coverage.simulate`; only where the program gives a value."""
    out = []
    for true, rows in answers(numbers, plan):
        for row in rows:
            if row["time"] in (*plan.times, *plan.between) and row["estimate"] is not None:
                told = {"figure": figure(row["time"], plan), "practice": f"{true.number:04}"}
                out.append(
                    told
                    | {"time": row["time"], "truth": float(true.healed(row["time"])), **{k: row[k] for k in _FIGURES}}
                )
    return pl.DataFrame(out, infer_schema_length=None).sort("time", "practice").drop("time")


_FIGURES = ("estimate", "low", "high")
