"""Generated shares, hazards and times against the written truth, before anybody is lost to recall.

Limits are 3.5 standard deviations of the binomial (or of the sum of the hazards): the seeds are fixed, so a failure
means that the generator and the truth have come apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import polars as pl
import pytest

from demo_data import truth
from demo_data.dice import Dice, place, running
from demo_data.generate import Practice
from pipeline.mapping.tooth import NOTATIONS

LIMIT = 3.5


def agrees(events: float, expected: float, variance: float) -> bool:
    return abs(events - expected) <= LIMIT * math.sqrt(variance) + 1e-9


@pytest.mark.parametrize(
    "where",
    [
        pl.lit(True),
        pl.col("_number") <= 2,
        pl.col("_number").is_between(3, 5),
        pl.col("_number") >= 6,
        pl.col("_type") == "molar",
        pl.col("_type") != "molar",
        pl.col("_curvature") >= 25,
        pl.col("_curvature") < 25,
        pl.col("_no_glide_path"),
        pl.col("_used_sequence") == "rotation-five",
        pl.col("_used_sequence") == "reciprocation-two",
    ],
)
def test_separations_follow_the_hazard(large_practice: Practice, where: pl.Expr) -> None:
    uses = large_practice.uses.filter(pl.col("_engine") & where)
    hazard = truth.separation_hazard(
        uses["_number"].to_numpy(),
        uses["_type"].to_numpy() == "molar",
        uses["_curvature"].to_numpy(),
        uses["_no_glide_path"].to_numpy(),
    )
    assert uses["_separated"].sum() > 20
    assert agrees(uses["_separated"].sum(), hazard.sum(), (hazard * (1 - hazard)).sum())


def test_the_use_number_counts_the_canals_of_the_physical_instrument(demo_practice: Practice) -> None:
    uses = demo_practice.uses
    counted = uses.select(pl.struct("_begin", "_number").rank("ordinal").over("_instrument").cast(pl.Int64)).to_series()
    assert (counted == uses["_number"]).all()
    broken = uses.filter(pl.col("_separated") | pl.col("_deformed"))
    last = uses.group_by("_instrument").agg(pl.col("_number").max().alias("last"))
    assert broken.height > 100
    assert broken.join(last, on="_instrument").select((pl.col("_number") == pl.col("last")).all()).item()


def test_the_demo_has_enough_separations_and_not_too_many(demo_practice: Practice) -> None:
    engine = demo_practice.uses.filter("_engine")["_separated"].sum()
    assert 60 <= engine <= 90
    assert 0.01 <= engine / demo_practice.records["canals"].height <= 0.02


@pytest.mark.parametrize(("lesion", "kind"), list(truth.HEALED))
def test_healed_shares_follow_lesion_and_kind(large_practice: Practice, lesion: bool, kind: str) -> None:
    teeth = large_practice.truth.filter((pl.col("_lesion") == lesion) & (pl.col("kind") == kind))
    p = truth.HEALED[lesion, kind]
    assert teeth.height > 300
    assert agrees((teeth["_outcome"] == "healed").sum(), teeth.height * p, teeth.height * p * (1 - p))


def difference(teeth: pl.DataFrame, healed: pl.Expr) -> tuple[float, float, float]:
    """Healed share of the favoured sequence less the burdened one: crude, Mantel-Haenszel and its standard error.

    Strata are tooth type x lesion x kind; the variance is that of Greenland and Robins 1985 (Biometrics 41:55).
    """
    two = teeth.filter(pl.col("_sequence").is_in([truth.FAVOURED, truth.BURDENED])).with_columns(
        h=healed, f=pl.col("_sequence") == truth.FAVOURED
    )
    shares = dict(two.group_by("f").agg(pl.col("h").mean()).iter_rows())
    strata = (
        two.group_by("_type", "_lesion", "kind")
        .agg(
            n1=pl.col("f").sum().cast(float),
            n0=(~pl.col("f")).sum().cast(float),
            a=(pl.col("h") & pl.col("f")).sum().cast(float),
            c=(pl.col("h") & ~pl.col("f")).sum().cast(float),
        )
        .filter((pl.col("n1") > 0) & (pl.col("n0") > 0))
    )
    n1, n0, a, c = (strata[name].to_numpy() for name in ("n1", "n0", "a", "c"))
    weight = n1 * n0 / (n1 + n0)
    adjusted = (weight * (a / n1 - c / n0)).sum() / weight.sum()
    spread = (a * (n1 - a) * n0**3 + c * (n0 - c) * n1**3) / (n1 * n0 * (n1 + n0) ** 2)
    return shares[True] - shares[False], adjusted, math.sqrt(spread.sum()) / weight.sum()


def test_the_favoured_sequence_only_looks_better(large_practice: Practice, demo_practice: Practice) -> None:
    for made in (large_practice, demo_practice):
        crude, adjusted, error = difference(made.truth, pl.col("_outcome") == "healed")
        assert crude >= truth.CRUDE_DIFFERENCE_AT_LEAST
        assert abs(adjusted - truth.ADJUSTED_DIFFERENCE) <= 2.5 * error
    easy = large_practice.truth.group_by("_sequence").agg(
        pl.col("_lesion").mean(), (pl.col("_type") == "molar").mean().alias("molar")
    )
    share = {row["_sequence"]: row for row in easy.iter_rows(named=True)}
    assert share[truth.FAVOURED]["_lesion"] < 0.25 < 0.65 < share[truth.BURDENED]["_lesion"]
    assert share[truth.FAVOURED]["molar"] < share[truth.BURDENED]["molar"]


def seen_late(made: Practice) -> pl.DataFrame:
    """The latest follow-up at or after 12 calendar months of every tooth still there, with its true class."""
    return (
        made.records["follow_ups"]
        .join(made.truth, on="treatment_id")
        .filter(pl.col("tooth_present") & (pl.col("seen_on") >= pl.col("completed_on").dt.offset_by("12mo")))
        .join(made.records["treatments"].select("treatment_id", "preop_pai"), on="treatment_id")
    )


def test_late_follow_ups_show_the_class_of_the_tooth(large_practice: Practice) -> None:
    seen = seen_late(large_practice)
    sign = pl.any_horizontal("pain", "tenderness", "swelling", "sinus_tract").fill_null(False)
    pai = pl.col("pai").is_not_null()
    of = {name: seen.filter(pl.col("_outcome") == name) for name in ("healed", "healing", "not healed")}
    assert all(frame.height > 50 for frame in of.values())
    assert of["healed"].select((~sign).all() & (pl.col("pai").filter(pai) <= 2).all()).item()
    assert of["healing"].select((~sign).all() & (pl.col("pai").filter(pai) > 2).all()).item()
    assert of["healing"].filter(pai).drop_nulls("preop_pai").select((pl.col("pai") < pl.col("preop_pai")).all()).item()
    silent = of["not healed"].filter(~sign & pai).drop_nulls("preop_pai")
    assert silent.select(((pl.col("pai") > 2) & (pl.col("pai") >= pl.col("preop_pai"))).all()).item()
    loud = of["not healed"].select(sign.alias("s")).to_series()
    assert 0.35 < loud.mean() < 0.65


def test_nobody_is_seen_before_completion_or_after_the_loss(large_practice: Practice) -> None:
    seen = large_practice.records["follow_ups"].join(large_practice.truth, on="treatment_id")
    assert seen.height == large_practice.records["follow_ups"].height
    assert seen.select((pl.col("seen_on") >= pl.col("completed_on")).all()).item()
    assert seen.filter("tooth_present").select((pl.col("seen_on") < pl.col("_lost_on")).all()).item()
    gone = seen.filter(~pl.col("tooth_present"))
    assert gone.select((pl.col("lost_on") == pl.col("_lost_on")).drop_nulls().all()).item()
    assert gone.select((pl.col("lost_reason") == pl.col("_lost_reason")).drop_nulls().all()).item()
    assert gone["treatment_id"].is_unique().all()


def window(made: Practice) -> pl.DataFrame:
    """Teeth whose window of 9-18 months has closed, still there at its end: was there a look in it?"""
    last = pl.lit(truth.DATA_DATE).str.to_date()
    closes = pl.col("completed_on").dt.offset_by("18mo")
    due = made.truth.filter((closes <= last) & (pl.col("_lost_on") > closes) & (pl.col("_again_on") > closes))
    looks = made.records["follow_ups"].select("treatment_id", "seen_on").join(due, on="treatment_id")
    looks = looks.filter(pl.col("seen_on").is_between(pl.col("completed_on").dt.offset_by("9mo"), closes))
    return due.with_columns(seen=pl.col("treatment_id").is_in(looks["treatment_id"].implode()))


def test_recall_depends_on_outcome_and_dentist(large_practice: Practice) -> None:
    due = window(large_practice).with_columns(dentist=pl.col("_dentist") % 4, failed=pl.col("_outcome") == "not healed")
    for (failed, dentist), teeth in due.group_by("failed", "dentist"):
        p = float(truth.recall_probability(failed, dentist))
        assert teeth.height > 40
        # An extra look at half a year or an early second-year look falls into the window now and then.
        low, high = teeth.height * p, teeth.height * (p + 0.03)
        slack = LIMIT * math.sqrt(teeth.height * p * (1 - p))
        assert low - slack <= teeth["seen"].sum() <= high + slack
    assert truth.RECALL_SHARE_BETWEEN[0] <= due["seen"].mean() <= truth.RECALL_SHARE_BETWEEN[1]


def test_those_seen_look_better_than_all(large_practice: Practice) -> None:
    all_, seen = window(large_practice), window(large_practice).filter("seen")
    assert (seen["_outcome"] == "healed").mean() > (all_["_outcome"] == "healed").mean() + 0.015


@pytest.mark.parametrize("sequence", truth.SEQUENCES)
def test_canal_minutes_lie_around_their_median(large_practice: Practice, sequence: str) -> None:
    timed = large_practice.canals.filter(~pl.col("_times_missing") & (pl.col("_used_sequence") == sequence))
    learnt = timed.filter(pl.col("_nth") > 60) if sequence == "reciprocation-two" else timed
    records = large_practice.records["canals"].join(learnt, on=["treatment_id", "canal"], maintain_order="right")
    minutes = (records["finished_at"] - records["started_at"]).dt.total_seconds().to_numpy() / 60
    median = truth.canal_minutes(
        [sequence] * learnt.height,
        learnt["_type"].to_numpy() == "molar",
        learnt["_curvature"].to_numpy(),
        learnt["kind"].to_numpy() == "retreatment",
    )
    logs = np.log(minutes / median)
    assert len(logs) > 1000
    assert abs(logs.mean()) <= LIMIT * truth.CANAL_MINUTES_LOG_SD / math.sqrt(len(logs)) + 0.005  # seconds are cut off
    assert abs(logs.std() - truth.CANAL_MINUTES_LOG_SD) < 0.02


def test_the_first_cases_with_reciprocation_take_longer(large_practice: Practice) -> None:
    canals = large_practice.canals.filter(
        (pl.col("_used_sequence") == "reciprocation-two")
        & ~pl.col("_untouched")
        & (pl.col("_sequence") == "reciprocation-two")
    )
    early, late = canals.filter(pl.col("_nth") <= 5), canals.filter(pl.col("_nth") > 40)
    ratio = early["_minutes"].median() / late["_minutes"].median()
    assert 1.15 < ratio < 1.65
    assert truth.learning_factor(1) == pytest.approx(1.45)
    assert truth.learning_factor(61) == pytest.approx(1 + 0.45 * math.exp(-5))


def test_visits_run_over_their_booking_since_they_became_slower(large_practice: Practice) -> None:
    visits = large_practice.records["visits"].with_columns(
        over=(pl.col("left_at") - pl.col("seated_at")).dt.total_minutes() - pl.col("booked_minutes"),
        slower=pl.col("seated_at") >= pl.lit(truth.SLOWER_SINCE).str.to_date(),
    )
    over = dict(visits.filter(pl.col("reason") == "planned").group_by("slower").agg(pl.col("over").mean()).iter_rows())
    assert over[True] - over[False] > 4  # a third more of the quarter of an hour around the canals
    assert abs(over[False]) < 3


@pytest.mark.parametrize("years", [0.5, 1.0, 2.0])
def test_teeth_are_lost_at_the_hazard(large_practice: Practice, years: float) -> None:
    teeth = large_practice.truth
    lost_after = (teeth["_lost_on"] - teeth["completed_on"]).dt.total_days()
    kept = (lost_after > years * 365.25).sum()
    p = float(truth.survival(years, (teeth["_outcome"] == "not healed").mean()))
    assert agrees(kept, teeth.height * p, teeth.height * p * (1 - p))
    only_failed = teeth.filter(pl.col("_lost_reason") == "endodontic").filter(pl.col("_outcome") != "not healed")
    assert only_failed.is_empty()


@pytest.mark.parametrize("kind", [k for k in truth.INCIDENT_RATE if k not in ("ledge", "blockage")])
def test_other_incidents_come_at_their_rate(large_practice: Practice, kind: str) -> None:
    canals = large_practice.canals.filter(~pl.col("_untouched")).height
    events = (large_practice.records["incidents"]["kind"] == kind).sum()
    expected = canals * truth.INCIDENT_RATE[kind]
    assert agrees(events, expected, expected)


@pytest.mark.parametrize(
    ("share", "of"),
    [
        (truth.UNTRACKED, lambda p: p.records["instrument_uses"]["instrument_id"].is_null()),
        (
            truth.PATIENT_INFORMED,
            lambda p: p.records["incidents"].filter(pl.col("kind") == "separation")["patient_informed"].drop_nulls(),
        ),
        (truth.LOSS_RECORDED, lambda p: losses_heard_of(p)),
    ],
)
def test_habits_have_their_shares(large_practice: Practice, share: float, of: Callable[[Practice], pl.Series]) -> None:
    values = of(large_practice)
    assert len(values) > 100
    assert agrees(values.sum(), len(values) * share, len(values) * share * (1 - share))


def losses_heard_of(made: Practice) -> pl.Series:
    """Of the teeth lost at least two months before the data date: is the loss in the records?"""
    last = pl.lit(truth.DATA_DATE).str.to_date().dt.offset_by("-2mo")
    lost = made.truth.filter((pl.col("_lost_on") <= last) & (pl.col("_lost_on") < pl.col("_again_on")))
    gone = made.records["follow_ups"].filter(~pl.col("tooth_present"))
    return lost.select(pl.col("treatment_id").is_in(gone["treatment_id"].implode())).to_series()


@pytest.mark.parametrize("dentist", range(4))
def test_dentists_keep_their_habits(large_practice: Practice, dentist: int) -> None:
    visits = (
        large_practice.records["visits"]
        .with_columns(at=large_practice.visits["_seat"] % 4)
        .filter(pl.col("at") == dentist)
    )
    dam, p = visits["rubber_dam"].drop_nulls(), truth.RUBBER_DAM[dentist]
    assert agrees(dam.sum(), len(dam) * p, len(dam) * p * (1 - p))
    canals = large_practice.canals.filter((pl.col("_seat") % 4 == dentist) & ~pl.col("_untouched"))
    q = truth.CANAL_TIMES_MISSING[dentist]
    assert agrees(canals["_times_missing"].sum(), canals.height * q, canals.height * q * (1 - q))


def test_universal_numbers_and_back() -> None:
    """Published pairs: 30 is the lower right first molar, FDI 46; 8 and 9 are the upper central incisors (ISO 3950)."""
    codes = [10 * q + p for q in (1, 2, 3, 4) for p in range(1, 9)] + [
        10 * q + p for q in (5, 6, 7, 8) for p in range(1, 6)
    ]
    universal = truth.to_universal(codes)
    assert len(set(universal)) == 52
    assert [int(NOTATIONS["universal"][u]) for u in universal] == codes
    pairs = dict(zip(codes, universal, strict=True))
    assert (pairs[46], pairs[11], pairs[21], pairs[16], pairs[55], pairs[85]) == ("30", "8", "9", "3", "A", "T")


def test_dice_give_what_they_say() -> None:
    dice, n = Dice(7, "a test"), 40_000
    assert Dice(7, "a test").uniform(3).tolist() == dice.uniform(3).tolist() != Dice(7, "another").uniform(3).tolist()
    assert abs(dice.normal(n).mean()) < 0.02 and abs(dice.normal(n).std() - 1) < 0.02
    assert np.bincount(dice.pick(n, (1, 3)))[1] / n == pytest.approx(0.75, abs=0.01)
    assert np.bincount(dice.pick(n, np.tile([0.0, 1.0, 0.0], (n, 1))), minlength=3).tolist() == [0, n, 0]
    assert set(dice.whole(n, 2, 4)) == {2, 3, 4}
    assert dice.wait(n, 0.5).mean() == pytest.approx(2, abs=0.05)
    assert place(np.array([1, 1, 3, 3, 3, 1])).tolist() == [0, 1, 0, 1, 2, 0]
    assert running(np.array([5, 1, 2, 2]), np.array([0, 0, 1, 1])).tolist() == [5, 6, 2, 4]
