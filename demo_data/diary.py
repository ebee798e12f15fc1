"""The diary: visits on a calendar, one patient at a time for each dentist, and how each treatment ended."""

from __future__ import annotations

import numpy as np
import polars as pl

from demo_data import truth
from demo_data.dice import CLOSED, DATA_DATE, Dice, Ints, place, running, unless


def visits_of(seed: int, cases: pl.DataFrame, canals: pl.DataFrame) -> pl.DataFrame:
    """Planned and unplanned visits on a calendar without double bookings; those after the data date never happened."""
    dice = Dice(seed, "visits")
    planned = cases["_planned_visits"].to_numpy()
    made = np.where(cases["_ends"].to_numpy() == "completed", planned, planned - 1)
    case = np.repeat(np.arange(cases.height), made)
    number = place(case)
    n = len(case)
    gap = np.where(number == 0, 0, dice.whole(n, 8, 32))
    day = cases["_started"].to_numpy()[case] + running(gap, case)

    shaping = np.zeros((cases.height, 4))
    np.add.at(shaping, (canals["_case"].to_numpy(), canals["_visit"].to_numpy()), canals["_minutes"].to_numpy())
    shaped = shaping[case, number]
    count = canals.group_by("_case", maintain_order=True).len()["len"].to_numpy()[case]
    slower = np.where(day >= np.datetime64(truth.SLOWER_SINCE), truth.SLOWER_BY, 1.0)
    opening = np.clip(dice.lognormal(n, np.where(number == 0, 13.0, 8.0), 0.3) * slower, 4, 40)
    last = number == planned[case] - 1
    closing = np.clip(dice.lognormal(n, np.where(last, 7.0 + 3.0 * count, 8.0), 0.3) * slower, 3, 60)
    minutes = np.ceil(opening + shaped + closing).astype(np.int64) + 1
    usual = (opening + closing) / slower + shaped  # the bookings were never made longer

    hurts = np.flatnonzero(dice.happens(n, truth.FLARE_UPS))
    other = np.flatnonzero(dice.happens(n, 0.015))
    extra = np.r_[hurts, other]
    wait = np.r_[dice.whole(len(hurts), 2, 5), dice.whole(len(other), 2, 14)]
    frame = pl.DataFrame(
        {
            "_case": np.r_[case, case[extra]],
            "_visit": np.r_[number, np.full(len(extra), -1)],
            "_planned": np.r_[np.ones(n, dtype=bool), np.zeros(len(extra), dtype=bool)],
            "_day": np.r_[day, day[extra] + wait],
            "_after": np.r_[day, day[extra]],
            "_minutes": np.r_[minutes, dice.whole(len(extra), 14, 35)],
            "_usual": np.r_[usual, np.full(len(extra), 20.0)],
            "_opening": np.r_[opening, np.full(len(extra), 5.0)],
            "reason": np.r_[
                np.full(n, "planned"), np.full(len(hurts), "pain or swelling"), np.full(len(other), "other unplanned")
            ],
        }
    )
    n = frame.height
    regular = cases["_dentist"].to_numpy()[frame["_case"].to_numpy()]
    seat = np.where(dice.happens(n, 0.05), regular // 4 * 4 + dice.pick(n, truth.DENTIST_SHARE), regular)
    day, seated = _calendar(
        dice,
        np.busday_offset(frame["_day"].to_numpy(), 0, roll="forward", holidays=CLOSED),
        seat,
        frame["_minutes"].to_numpy(),
    )
    chair = seat + 1
    booked = 15 * np.clip(np.round(frame["_usual"].to_numpy() * dice.lognormal(n, 1.0, 0.20) / 15), 1, 12)
    dam = dice.happens(n, np.array(truth.RUBBER_DAM)[seat % 4])
    frame = frame.with_columns(
        pl.Series("_day", day),
        pl.Series("_seated", (day.astype("datetime64[s]").astype(np.int64) + 60 * seated)),
        pl.Series("_seat", seat),
        dentist=pl.Series([f"D{i + 1}" for i in range(int(seat.max()) + 1)])[seat],
        chair=unless(dice.happens(n, 0.02), np.char.add("chair ", chair.astype(str))),
        booked_minutes=unless(dice.happens(n, 0.05), booked),
        rubber_dam=unless(dice.happens(n, 0.05), dam),
        reason=unless(dice.happens(n, np.where(frame["_planned"].to_numpy(), 0.03, 0.0)), frame["reason"].to_numpy()),
    ).with_columns(_left=pl.col("_seated") + 60 * pl.col("_minutes"))
    frame = frame.filter(
        (pl.col("_day") <= pl.lit(DATA_DATE)) & (pl.col("_planned") | (pl.col("_day") > pl.col("_after")))
    )
    frame = frame.sort("_seated", "_seat", "_case").with_columns(
        visit_id=pl.format("V{}", pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(6)),
        treatment_id=pl.format("T{}", (pl.col("_case") + 1).cast(pl.String).str.zfill(5)),
    )
    return _overlaps(dice, frame, cases.height)


def _calendar(dice: Dice, day: np.ndarray, seat: Ints, minutes: Ints) -> tuple[np.ndarray, Ints]:
    """Day and minute of the day at which each visit begins: one patient at a time for each dentist.

    Ten minutes lie between two visits; what does not fit into a day moves to the next working day.
    """
    open_minutes = truth.CLOSES - truth.OPENS
    turn = dice.uniform(len(day))
    for _ in range(200):
        order = np.lexsort((turn, day, seat))
        group = seat[order] * 1_000_000 + day[order].astype(np.int64)
        used = running(minutes[order] + 10, group)
        over = np.zeros(len(day), dtype=bool)
        over[order] = used > open_minutes
        if not over.any():
            break
        day = np.where(over, np.busday_offset(day, 1, roll="forward", holidays=CLOSED), day)
    _, which = np.unique(group, return_inverse=True)
    free = open_minutes - np.bincount(which, weights=minutes[order] + 10)[which]
    begin = np.zeros(len(day), dtype=np.int64)
    begin[order] = truth.OPENS + used - minutes[order] - 10 + np.floor(free * turn[order]).astype(np.int64)
    return day, begin


def _overlaps(dice: Dice, visits: pl.DataFrame, treatments: int) -> pl.DataFrame:
    """A few patients are checked out late: their visit runs into the dentist's next one of that day."""
    following = visits.with_columns(_next=pl.col("_seated").shift(-1).over("_seat", "_day", order_by="_seated"))[
        "_next"
    ]
    possible = np.flatnonzero((following - visits["_left"] < 3600).fill_null(False).to_numpy())
    chosen = possible[
        np.argsort(dice.uniform(len(possible)))[: max(1, round(truth.OVERLAPPING_VISITS * treatments / 2500))]
    ]
    left = visits["_left"].to_numpy().copy()
    left[chosen] = following.to_numpy()[chosen] + 60 * dice.whole(len(chosen), 4, 14)
    late = np.zeros(visits.height, dtype=bool)
    late[chosen] = True
    return visits.with_columns(pl.Series("_left", left.astype(np.int64)), pl.Series("_late", late))


def close(seed: int, cases: pl.DataFrame, visits: pl.DataFrame) -> pl.DataFrame:
    """Status, dates and restoration, from the visits that took place."""
    dice = Dice(seed, "restorations")
    held = (
        visits.filter("_planned")
        .group_by("_case")
        .agg(_first=pl.col("_day").min(), _last=pl.col("_day").max(), _held=pl.len())
    )
    cases = cases.join(held, on="_case", how="inner", maintain_order="left")
    n = cases.height
    all_held = cases["_held"].to_numpy() == cases["_planned_visits"].to_numpy()
    ends = cases["_ends"].to_numpy()
    status = np.where(
        all_held,
        "completed",
        np.where(
            np.isin(ends, ("abandoned", "referred"))
            & (cases["_held"].to_numpy() == cases["_planned_visits"].to_numpy() - 1),
            ends,
            "in progress",
        ),
    )
    done = status == "completed"
    last = cases["_last"].to_numpy()
    kind = np.where(
        cases["_type"].to_numpy() == "molar",
        dice.word(n, ("direct", "crown", "onlay", "temporary"), (0.36, 0.38, 0.16, 0.10)),
        dice.word(n, ("direct", "crown", "temporary"), (0.68, 0.24, 0.08)),
    )
    at_once = (kind == "direct") & dice.happens(n, 0.5)
    wait = np.where(at_once, 0, np.round(dice.lognormal(n, np.where(kind == "direct", 16, 38), 0.75))).astype(np.int64)
    restored = last + wait
    definite = done & (kind != "temporary") & (restored <= DATA_DATE)
    restoration = np.where(definite, kind, np.where(done | dice.happens(n, 0.8), "temporary", "none"))
    return cases.with_columns(
        _done=pl.Series(done),
        started_on=pl.col("_first"),
        completed_on=pl.when(pl.Series(done)).then(pl.col("_last")),
        status=pl.Series(status),
        restoration=unless(dice.happens(n, 0.03), restoration.astype(str)),
        restored_on=unless(~definite, restored),
    )
