"""The same figures counted again from the store by another program: Polars and NumPy in place of the facts' SQL."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

Demo = Any  # of conftest.py


def one(demo: Demo, name: str) -> dict[str, Any]:
    (row,) = demo.program.measure(name)
    return row


@pytest.fixture(scope="module")
def uses(demo: Demo) -> pl.DataFrame:
    return demo.program.query(
        """select u.*, c.started_at as canal_at, t.started_on
           from instrument_uses u left join canals c using (practice, treatment_id, canal)
           left join treatments t using (practice, treatment_id)"""
    )


def test_shaping_minutes(demo: Demo, uses: pl.DataFrame) -> None:
    canals = demo.program.query("select treatment_id, canal from canals where not_treated is null")
    spans, cut = [], 0
    for _, group in uses.join(canals, on=["treatment_id", "canal"]).group_by("treatment_id", "canal"):
        ordered = group.sort("step", "use_id")
        if ordered["started_at"][0] is None or ordered["started_at"][-1] is None:
            continue
        timed = ordered.drop_nulls("started_at").sort("started_at")
        starts = timed["started_at"].dt.epoch("s").to_numpy().astype(float)
        ends = starts + timed["seconds"].fill_null(0).to_numpy()
        if len(ordered) == 1 and ordered["seconds"][0] is None:
            continue
        reached = np.maximum.accumulate(ends)
        gaps = starts[1:] - reached[:-1]
        cut += int((gaps > 1200).sum())
        spans.append((reached[-1] - starts[0] - gaps[gaps > 1200].sum()) / 60)
    row = one(demo, "shaping_minutes_per_canal")
    assert row["n"] == len(spans)
    assert row["estimate"] == pytest.approx(np.median(spans))
    assert row["gaps_cut"] == cut


def test_instrument_seconds(demo: Demo, uses: pl.DataFrame) -> None:
    canals = demo.program.query("select treatment_id, canal from canals where not_treated is null")
    sums = (
        uses.join(canals, on=["treatment_id", "canal"])
        .group_by("treatment_id", "canal")
        .agg(pl.col("seconds").sum(), pl.col("seconds").null_count().alias("missing"))
        .filter(pl.col("missing") == 0)["seconds"]
    )
    row = one(demo, "instrument_seconds_per_canal")
    assert (row["n"], row["estimate"]) == (len(sums), pytest.approx(sums.median()))


def test_days_open_and_unfinished(demo: Demo) -> None:
    teeth = demo.program.query("select started_on, completed_on, status from treatments")
    last = pl.lit("2026-06-30").str.to_date()
    done = teeth.filter(pl.col("status") == "completed").drop_nulls("completed_on")
    days = done.select((pl.col("completed_on") - pl.col("started_on")).dt.total_days()).to_series()
    row = one(demo, "days_open")
    assert row["n"] == pytest.approx(len(days), abs=5)  # a few are flagged as doubtful
    assert row["estimate"] == pytest.approx(days.median(), abs=1)
    old = teeth.filter((last - pl.col("started_on")).dt.total_days() >= 90)
    row = one(demo, "unfinished_share")
    assert row["n"] == pytest.approx(len(old), abs=5)
    assert row["events"] == pytest.approx((old["status"] == "in progress").sum(), abs=2)


def test_uses_beyond_the_limit(demo: Demo, uses: pl.DataFrame) -> None:
    # Those received before the first recorded use and seen in the first 90 days may have older uses, unless they had no
    # more cycles than teeth.
    limits = demo.program.query(
        """with used as (
               select instrument_id, count(distinct treatment_id) as teeth, min(cast(started_at as date)) as first_seen
               from instrument_uses group by instrument_id),
           begun as (select min(first_seen) as first_day from used)
           select instrument_id, use_limit from instruments join used using (instrument_id), begun
           where use_limit is not null
               and (sterilisations <= teeth or received_on >= first_day or first_seen >= first_day + 90)"""
    )
    canals = (
        uses.drop_nulls("instrument_id")
        .group_by("instrument_id")
        .agg(pl.struct("treatment_id", "canal").n_unique().alias("canals"))
        .join(limits, on="instrument_id")
    )
    beyond = (canals["canals"] - canals["use_limit"]).clip(0).sum()
    row = one(demo, "over_limit_uses")
    assert row["n"] == pytest.approx(canals["canals"].sum(), abs=20)  # doubtful uses are left out
    assert row["events"] == pytest.approx(beyond, abs=10)
    assert beyond > 100


def test_turns(demo: Demo, uses: pl.DataFrame) -> None:
    canals = (
        uses.filter(pl.col("motion") == "rotation")
        .drop_nulls("instrument_id")
        .with_columns((pl.col("speed_rpm") * pl.col("seconds") / 60).alias("turns"))
        .group_by("instrument_id", "treatment_id", "canal")
        .agg(pl.col("turns").sum(), pl.col("turns").null_count().alias("missing"))
        .filter(pl.col("missing") == 0)
    )
    row = one(demo, "separations_per_100k_turns")
    assert row["n"] == pytest.approx(len(canals), rel=0.002)
    assert row["exposure"] == pytest.approx(canals["turns"].sum(), rel=0.002)


def test_instruments_of_a_tooth(demo: Demo, uses: pl.DataFrame) -> None:
    name = pl.coalesce(
        pl.col("instrument_id"), pl.format("? {} {} {}", pl.col("size"), pl.col("taper"), pl.col("motion"))
    )
    teeth = demo.program.query("select treatment_id from treatments")
    each = uses.join(teeth, on="treatment_id").group_by("treatment_id").agg(name.n_unique().alias("n"))
    row = one(demo, "instruments_per_tooth")
    assert row["n"] == pytest.approx(len(each), abs=10)
    assert row["estimate"] == pytest.approx(each["n"].mean(), rel=0.002)


def test_minutes_beyond_the_booking(demo: Demo) -> None:
    visits = demo.program.query("select visit_id, seated_at, left_at, booked_minutes from visits").unique("visit_id")
    over = (
        visits.drop_nulls("booked_minutes")
        .select((pl.col("left_at") - pl.col("seated_at")).dt.total_seconds() / 60 - pl.col("booked_minutes"))
        .to_series()
    )
    row = one(demo, "booking_overrun")
    assert row["n"] == pytest.approx(len(over), abs=25)  # sittings of several visits, and doubtful ones
    assert row["estimate"] == pytest.approx(over.median(), abs=0.5)
    assert row["over_by_10_share"] == pytest.approx((over > 10).mean(), abs=0.005)
