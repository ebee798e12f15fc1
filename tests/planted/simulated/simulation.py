"""A simulated practice: its records drawn from a distribution that is written down, and the truth that follows from it.

Nothing here is taken from the program. Every practice has truths of its own (`Truth`), drawn from its number. What is
alike among the teeth of one patient is so by a draw that they share (`_alike`): the chance of each tooth stays exactly
what the model says, so that the true share is a sum over kinds of teeth and needs no simulation.

Figures are chosen to lie where a practice's may lie; they are of no source.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import duckdb
import numpy as np
import polars as pl
from scipy import stats

AS_OF = dt.date(2026, 6, 30)
FIRST_DAY = np.datetime64("2018-01-08")

# Kinds of teeth: tooth type, lesion, retreatment; each of the three independent of the others.
TYPES = ("incisor", "premolar", "molar")
TYPE_SHARE = (0.25, 0.30, 0.45)
FDI = np.array([[11, 21, 12], [14, 24, 15], [16, 26, 17]])  # a patient's first, second and third tooth differ
CANALS = np.array([["S", "", ""], ["B", "P", ""], ["DB", "MB", "P"]])
LESION_SHARE, RETREATMENT_SHARE = 0.40, 0.20
STRATA = np.array(list(product(range(3), (0, 1), (0, 1))))  # type, lesion, retreatment
STRATUM_SHARE = np.array(
    [TYPE_SHARE[t] * abs(1 - lesion - LESION_SHARE) * abs(1 - again - RETREATMENT_SHARE) for t, lesion, again in STRATA]
)

# A canal takes the instruments of steps 1 and 2, and up to three more.
SIZES, PRICES = np.array([15, 20, 25, 30, 35]), np.array([6.0, 7.5, 9.0, 9.0, 11.0])
USE_LIMIT, RETIRED_EARLY, STERILISATION = 8, 0.03, 0.8
SHORTEST_CANAL, LONGEST_CANAL, BEFORE_LEAVING = 4.0, 20.0, 66.0  # minutes; three canals fit before anybody leaves
FIRST_RECALL, SECOND_RECALL, SECOND_SHARE = (370, 540), (700, 1400), 0.6  # days after completion, both included

LOSS_SHAPE = 1.3  # of the Weibull distribution of losses
DIFFERENCE, ODDS_RATIO = -0.10, 0.45  # of sequence A against B, where it has an effect

MINUTE = 60_000  # milliseconds

Array = np.ndarray[Any, Any]


def _to_seconds(minutes: Array) -> Array:
    """Minutes as milliseconds, to the whole second: that is how exactly clocks are written down."""
    return np.round(minutes * 60).astype(int) * 1000


def _logistic(x: Array) -> Array:
    return 1 / (1 + np.exp(-x))


@dataclass(frozen=True)
class Truth:
    """What is true of one practice. `effect` is the sequence's: none, a difference of shares, or a ratio of odds."""

    number: int
    effect: str
    patients: int
    base_logit: float  # of healing: incisor without lesion, first treatment, sequence B
    recall: tuple[float, float]  # chance of coming to recalls: without and with a lesion
    loss_scale_days: float
    median_over: float  # minutes of a visit beyond BEFORE_LEAVING
    canal_shape: tuple[float, float]
    extra_step: float
    separation: float  # chance in each use
    wear: float  # chance of deformation in the j-th use is j times this

    @classmethod
    def of(cls, number: int, effect: str = "none", patients: tuple[int, int] = (700, 1600)) -> Truth:
        """The truth of the practice of this number: the same however many others are simulated."""
        rng = np.random.default_rng([2026, number])
        recall = rng.uniform(0.60, 0.85)
        return cls(
            number=number,
            effect=effect,
            patients=int(rng.integers(*patients)),
            base_logit=rng.uniform(1.2, 2.2),
            recall=(recall, recall - 0.2),
            loss_scale_days=rng.uniform(4000, 9000),
            median_over=rng.uniform(8, 30),
            canal_shape=(rng.uniform(1.5, 3), rng.uniform(2, 4)),
            extra_step=rng.uniform(0.2, 0.7),
            separation=rng.uniform(0.0015, 0.005),
            wear=rng.uniform(0.001, 0.004),
        )

    @cached_property
    def easier_teeth(self) -> Array:
        """Chance of sequence A by kind of tooth: A gets the easier ones."""
        t, lesion, again = STRATA.T
        return _logistic(1.5 - 2.0 * lesion - 0.8 * (t == 2) - 0.5 * again)

    @cached_property
    def healed(self) -> Array:
        """Chance of being healed by kind of tooth (rows) and sequence (B, A)."""
        t, lesion, again = STRATA.T
        logit = self.base_logit - 1.0 * lesion - 0.4 * (t == 2) - 0.5 * again
        with_b = _logistic(logit)
        with_a = {
            "none": with_b,
            "difference": with_b + DIFFERENCE,
            "odds": _logistic(logit + np.log(ODDS_RATIO)),
        }[self.effect]
        return np.column_stack([with_b, with_a])

    @cached_property
    def judged(self) -> Array:
        """Share of all teeth that are of a kind and come to recalls; losses take the same share of all kinds."""
        return STRATUM_SHARE * np.array(self.recall)[STRATA[:, 1]]

    def _healed_of(self, weight: Array) -> float:
        a = self.easier_teeth
        return float((weight * (self.healed[:, 0] * (1 - a) + self.healed[:, 1] * a)).sum() / weight.sum())

    @property
    def healed_of_judged(self) -> float:
        return self._healed_of(self.judged)

    @property
    def healed_of_due(self) -> float:
        """Of all teeth that are not known to be lost."""
        return self._healed_of(STRATUM_SHARE - self.judged * (1 - self.kept))

    @property
    def crude_difference(self) -> float:
        """What the two sequences' shares differ by, kinds of teeth disregarded: an association, not the effect."""
        a, (with_b, with_a) = self.easier_teeth, self.healed.T
        return float(np.average(with_a, weights=self.judged * a) - np.average(with_b, weights=self.judged * (1 - a)))

    @property
    def crude_odds_ratio(self) -> float:
        a, (with_b, with_a) = self.easier_teeth, self.healed.T
        one, other = np.average(with_a, weights=self.judged * a), np.average(with_b, weights=self.judged * (1 - a))
        return float(one / (1 - one) / (other / (1 - other)))

    @property
    def standardised_difference(self) -> float:
        return float(np.average(self.healed[:, 1] - self.healed[:, 0], weights=self.judged))

    @property
    def overlap_difference(self) -> float:
        """Among teeth that might be treated with either: each kind weighs its chances of both, multiplied."""
        weight = self.judged * self.easier_teeth * (1 - self.easier_teeth)
        return float(np.average(self.healed[:, 1] - self.healed[:, 0], weights=weight))

    @property
    def recalled(self) -> float:
        return float(self.judged.sum())

    def survival(self, days: Array | float) -> Array:
        """Share of teeth still there after so many days."""
        return np.exp(-((np.asarray(days, dtype=float) / self.loss_scale_days) ** LOSS_SHAPE))

    @property
    def kept(self) -> float:
        """Share of those who come whose tooth is still there at the last recall."""
        first, second = (self.survival(np.arange(low, high + 1)).mean() for low, high in (FIRST_RECALL, SECOND_RECALL))
        return float((1 - SECOND_SHARE) * first + SECOND_SHARE * second)

    @property
    def visit_median(self) -> float:
        return BEFORE_LEAVING + self.median_over

    @property
    def canal_median(self) -> float:
        return SHORTEST_CANAL + (LONGEST_CANAL - SHORTEST_CANAL) * float(stats.beta.ppf(0.5, *self.canal_shape))

    @property
    def steps(self) -> float:
        """Mean number of instruments in a canal."""
        return 2 + 3 * self.extra_step

    def hazard(self, use: int) -> float:
        """Chance that an instrument separates or is deformed in its use of this number."""
        return self.separation + self.wear * use

    def whole_after(self, uses: int) -> float:
        return float(np.prod([1 - self.hazard(use) for use in range(1, uses + 1)]))

    @property
    def mean_life(self) -> float:
        """Uses of an instrument until it ends, is retired or has reached its limit."""
        return sum(self.whole_after(use - 1) * (1 - RETIRED_EARLY) ** (use - 1) for use in range(1, USE_LIMIT + 1))

    @property
    def canal_cost(self) -> float:
        """Over many instruments each costs its price in a mean life (renewal reward), and a cycle a use."""
        taken = np.concatenate([[1.0, 1.0], stats.binom.sf(np.arange(3), 3, self.extra_step)])
        return float((taken * (PRICES / self.mean_life + STERILISATION)).sum())


class Practice:
    """The records of one simulated practice.

    A patient's teeth may be alike in more than healing and coming to recalls, by a draw that so many of them share:
    `same_sequence` in the choice of the sequence, `same_minutes` of visits in what makes them long.
    """

    def __init__(self, true: Truth, *, same_sequence: float = 0.0, same_minutes: float = 0.0) -> None:
        self.true = true
        self.name = f"{true.number:04}"
        self.rng = np.random.default_rng([2027, true.number, ("none", "difference", "odds").index(true.effect)])
        self.same_minutes = same_minutes
        teeth_of = self.rng.choice([1, 2, 3], true.patients, p=[0.7, 0.2, 0.1])
        self.patient = np.repeat(np.arange(true.patients), teeth_of)
        self.place = np.arange(self.patient.size) - np.repeat(np.cumsum(teeth_of) - teeth_of, teeth_of)
        self.n = self.patient.size
        self.stratum = self.rng.choice(len(STRATA), self.n, p=STRATUM_SHARE)
        self.type, self.lesion, self.again = STRATA[self.stratum].T
        self.with_a = self._alike(same_sequence) < true.easier_teeth[self.stratum]
        self.healed = self._alike(0.5) < true.healed[self.stratum, self.with_a.astype(int)]
        self.comes = self._alike(0.7) < np.array(true.recall)[self.lesion]
        self.two_visits = self.rng.random(self.n) < 0.3
        self.seated, self.seated_again = self._appointments()
        self.started = self.seated.astype("datetime64[D]")
        self.completed = np.where(self.two_visits, self.seated_again, self.seated).astype("datetime64[D]")
        self.ids = pl.select(pl.format("T{}", pl.Series(np.arange(self.n)).cast(pl.String).str.zfill(6))).to_series()

    def _appointments(self) -> tuple[Array, Array]:
        """When each tooth is first treated, and when again where it is: two visits a day, in the order of wishes."""
        first = self.rng.uniform(0, 900, self.true.patients)[self.patient] + 60 * self.place
        wished = np.concatenate([first, first[self.two_visits] + 14])
        order = np.empty(wished.size, dtype=int)
        order[np.argsort(wished)] = np.arange(wished.size)
        days, afternoon = np.divmod(order, 2)
        seated = (FIRST_DAY + days).astype("datetime64[ms]") + (8 + 5 * afternoon) * 60 * MINUTE
        again = seated[: self.n].copy()
        again[self.two_visits] = seated[self.n :]
        return seated[: self.n], again

    def _alike(self, share: float) -> Array:
        """Numbers uniform from 0 to 1, one a tooth; with this chance a tooth takes the one of its patient."""
        of_patient = self.rng.random(self.true.patients)[self.patient]
        return np.where(self.rng.random(self.n) < share, of_patient, self.rng.random(self.n))

    def treatments(self) -> pl.DataFrame:
        return pl.DataFrame(
            {
                "treatment_id": self.ids,
                "patient_id": pl.Series(self.patient).cast(pl.String),
                "birth_year": 1975,
                "tooth": FDI[self.type, self.place],
                "dentist": self.name,
                "kind": np.where(self.again, "retreatment", "primary"),
                "preop_pai": np.where(self.lesion, 4, 1),  # at follow-up 3 or 5: nothing stays uncertain
                "started_on": self.started,
                "completed_on": self.completed,
                "status": "completed",
            }
        )

    def visits(self) -> pl.DataFrame:
        tooth = np.concatenate([np.arange(self.n), np.flatnonzero(self.two_visits)])
        second = np.arange(tooth.size) >= self.n
        spread = np.where(
            self.rng.random(tooth.size) < self.same_minutes,
            self.rng.normal(0, 0.5, self.true.patients)[self.patient[tooth]],
            self.rng.normal(0, 0.5, tooth.size),
        )
        minutes = BEFORE_LEAVING + self.true.median_over * np.exp(spread)
        seated = np.where(second, self.seated_again[tooth], self.seated[tooth])
        return pl.DataFrame(
            {
                "visit_id": pl.Series(np.arange(tooth.size)).cast(pl.String),
                "treatment_id": self.ids.gather(tooth),
                "dentist": self.name,
                "seated_at": seated,
                "left_at": seated + _to_seconds(minutes),
                "reason": "planned",
            }
        )

    @cached_property
    def canals(self) -> pl.DataFrame:
        """In the order in which they were worked on, with their tooth (a number) beside what a record holds."""
        tooth = np.repeat(np.arange(self.n), self.type + 1)
        nth = np.arange(tooth.size) - np.repeat(np.cumsum(self.type + 1) - (self.type + 1), self.type + 1)
        share = self.rng.beta(*self.true.canal_shape, tooth.size)
        minutes = SHORTEST_CANAL + (LONGEST_CANAL - SHORTEST_CANAL) * share
        started = self.seated[tooth] + (3 + 21 * nth) * MINUTE
        return pl.DataFrame(
            {
                "number": tooth,
                "treatment_id": self.ids.gather(tooth),
                "canal": CANALS[self.type[tooth], nth],
                "sequence": np.where(self.with_a[tooth], "A", "B"),
                "started_at": started,
                "finished_at": started + _to_seconds(minutes),
            }
        ).sort("started_at", "treatment_id")

    def _lives(self, uses: int) -> tuple[Array, Array, Array]:
        """An instrument after the other, for so many uses: which one it is, and whether it separated or was deformed.

        The third: whether it is taken no more after this use.
        """
        at_least = 2 * uses // USE_LIMIT + uses // 2 + 10
        chance = self.rng.random((at_least, USE_LIMIT))
        wear = self.true.separation + self.true.wear * np.arange(1, USE_LIMIT + 1)
        ends = (chance < wear) | (self.rng.random((at_least, USE_LIMIT)) < RETIRED_EARLY)
        ends[:, -1] = True
        last = ends.argmax(axis=1)
        instrument = np.repeat(np.arange(at_least), last + 1)[:uses]
        number = (np.arange(instrument.size) - np.repeat(np.cumsum(last + 1) - last - 1, last + 1)[:uses]).astype(int)
        assert instrument.size == uses
        drawn = chance[instrument, number]
        result = np.where(drawn < self.true.separation, "separated", "intact")
        result = np.where((result == "intact") & (drawn < wear[number]), "deformed", result)
        return instrument, result, number == last[instrument]

    @cached_property
    def _uses(self) -> pl.DataFrame:
        canals = self.canals
        extra = self._alike(0.3)[canals["number"].to_numpy()]
        steps = 2 + np.searchsorted(stats.binom.cdf(np.arange(3), 3, self.true.extra_step), extra)
        parts = []
        for step in range(1, 6):
            taken = canals.filter(steps >= step)
            instrument, result, is_last = self._lives(taken.height)
            parts.append(
                taken.select("treatment_id", "canal", "started_at").with_columns(
                    step=pl.lit(step),
                    instrument_id=pl.Series(instrument).cast(pl.String) + f"/{step}",
                    true_result=pl.Series(result),
                    is_last=pl.Series(is_last),
                )
            )
        uses = pl.concat(parts)
        how = self.rng.choice(["both", "use", "incident"], uses.height, p=[0.6, 0.2, 0.2])
        return uses.with_columns(
            use_id=pl.Series(np.arange(uses.height)).cast(pl.String),
            told_by=pl.when(pl.col("true_result") == "separated").then(pl.Series(how)),
        )

    def instrument_uses(self) -> pl.DataFrame:
        told = pl.when(pl.col("told_by") == "incident").then(pl.lit("intact")).otherwise("true_result")
        return self._uses.select(
            "use_id",
            "treatment_id",
            "canal",
            "step",
            "instrument_id",
            "started_at",
            size=pl.Series(SIZES[self._uses["step"].to_numpy() - 1]),
            taper=0.04,
            motion=pl.lit("rotation"),
            result=told,
        )

    def incidents(self) -> pl.DataFrame:
        """Separations told by incidents alone, or by a use as well: these count once."""
        told = self._uses.filter(pl.col("told_by").is_in(["both", "incident"]))
        return told.select(
            "treatment_id",
            "canal",
            "instrument_id",
            incident_id=pl.lit("X") + pl.col("use_id"),
            kind=pl.lit("separation"),
            occurred_at="started_at",
        )

    def instruments(self) -> pl.DataFrame:
        found = self._uses.group_by("instrument_id", maintain_order=True).agg(
            pl.col("step").first(),
            pl.len().alias("sterilisations"),
            pl.col("is_last").last(),
            pl.col("true_result").last(),
            pl.col("started_at").max().cast(pl.Date).alias("last_used"),
            pl.col("started_at").min().cast(pl.Date).alias("received_on"),
        )
        step = found["step"].to_numpy() - 1
        return found.select(
            "instrument_id",
            "sterilisations",
            "received_on",
            size=pl.Series(SIZES[step]),
            taper=0.04,
            motion=pl.lit("rotation"),
            price=pl.Series(PRICES[step]),
            use_limit=USE_LIMIT,
            retired_on=pl.when("is_last").then("last_used"),
            retired_reason=pl.when(pl.col("is_last") & (pl.col("true_result") != "intact"))
            .then("true_result")
            .when(pl.col("is_last"))
            .then(pl.lit("other")),
        )

    def follow_ups(self) -> pl.DataFrame:
        """Those who come are seen once or twice; a loss is told on its day, nothing after it. Of others: nothing."""
        first, second = (self.rng.integers(low, high + 1, self.n) for low, high in (FIRST_RECALL, SECOND_RECALL))
        again = self.rng.random(self.n) < SECOND_SHARE
        lost = np.ceil(self.true.loss_scale_days * self.rng.weibull(LOSS_SHAPE, self.n)).astype(int)
        last = np.where(again, second, first)
        told = (self.comes & (first < lost), self.comes & again & (second < lost), self.comes & (lost <= last))
        tooth = np.concatenate([np.flatnonzero(t) for t in told])
        when = np.concatenate([days[t] for days, t in zip((first, second, lost), told, strict=True)])
        gone = np.arange(tooth.size) >= told[0].sum() + told[1].sum()
        day = self.completed[tooth] + when
        healing = self.rng.random(self.n) < 0.5
        pai = np.where(self.healed, 2, np.where(self.lesion, np.where(healing, 3, 5), 4))
        return pl.DataFrame(
            {
                "follow_up_id": pl.Series(np.arange(tooth.size)).cast(pl.String),
                "treatment_id": self.ids.gather(tooth),
                "seen_on": day,
                "image": np.where(gone, "none", "periapical"),
                "pai": pai[tooth],
                "pain": False,
                "tooth_present": ~gone,
                "lost_on": day,
                "lost_reason": "fracture",
                "gone": gone,
            }
        ).select(
            pl.exclude("pai", "lost_on", "lost_reason", "gone"),
            pl.when(~pl.col("gone")).then("pai").alias("pai"),
            pl.when("gone").then("lost_on").alias("lost_on"),
            pl.when("gone").then("lost_reason").alias("lost_reason"),
        )

    def store(self, connection: duckdb.DuckDBPyConnection, *, only_outcomes: bool = False) -> None:
        """Put the records into a store's tables."""
        tables = {
            "treatments": self.treatments(),
            "canals": self.canals.drop("number"),
            "follow_ups": self.follow_ups(),
        }
        if not only_outcomes:
            tables |= {
                "visits": self.visits(),
                "instrument_uses": self.instrument_uses(),
                "instruments": self.instruments(),
                "incidents": self.incidents(),
            }
        for batch, (kind, records) in enumerate(tables.items()):
            whole = records.with_columns(practice=pl.lit(self.name), batch_id=batch).with_row_index("record_no")
            connection.register("simulated", whole)
            connection.execute(f"insert into {kind} by name select * from simulated")
            connection.unregister("simulated")
