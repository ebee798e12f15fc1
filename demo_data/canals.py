"""The canals of each tooth: how many, how long, how curved, how they are worked on and for how long."""

from __future__ import annotations

import numpy as np
import polars as pl

from demo_data import truth
from demo_data.catalogue import catalogue
from demo_data.dice import Dice, running, unless

PATTERNS = (  # usual canals of a tooth, by the trade's short names
    ("S",),
    ("B", "L"),
    ("B", "P"),
    ("MB", "DB", "P"),
    ("MB", "MB2", "DB", "P"),
    ("MB", "ML", "D"),
    ("MB", "ML", "DB", "DL"),
    ("MB", "ML", "MM", "D"),
    ("M", "D"),
)
CURVATURE = {  # median Schneider angle in degrees: in molars, in other teeth
    "S": (10, 8),
    "B": (12, 10),
    "L": (13, 12),
    "P": (11, 10),
    "MB": (22, 15),
    "MB2": (25, 15),
    "DB": (17, 12),
    "ML": (20, 12),
    "MM": (19, 12),
    "M": (16, 12),
    "D": (11, 10),
    "DL": (13, 12),
}
ISO_SIZES = np.array([6, 8, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60])
LENGTH_UPPER = np.array([22.8, 21.3, 25.5, 21.6, 21.3, 20.2, 19.6, 18.5])  # working length in mm, by position
LENGTH_LOWER = np.array([20.6, 21.2, 24.6, 21.5, 21.3, 20.4, 19.8, 18.8])


def canals_of(seed: int, cases: pl.DataFrame) -> pl.DataFrame:
    """One row a canal, with the visit in which it is shaped and the minutes that takes."""
    dice = Dice(seed, "canals")
    tooth, dentist = cases["tooth"].to_numpy(), cases["_dentist"].to_numpy() % 4
    n = len(tooth)
    upper, position = np.isin(tooth // 10, (1, 2, 5, 6)), tooth % 10
    milk = tooth > 50
    found = np.array(truth.MB2_FOUND)[dentist]
    mb2 = dice.happens(n, np.select([position == 6, position == 7], [found, 0.7 * found], 0.0)) & ~milk
    two_rooted = dice.happens(n, np.select([position == 4, position == 5], [0.76, 0.40], 0.0))
    two_lower = dice.happens(n, np.select([position <= 2, position == 4, position == 5], [0.20, 0.24, 0.04], 0.0))
    lower_molar = np.where(
        position == 8, 8, 5 + dice.pick(n, np.where((position == 6)[:, None], [0.67, 0.30, 0.03], [0.87, 0.12, 0.01]))
    )
    upper_pattern = np.select([position <= 3, position <= 5], [0, np.where(two_rooted, 2, 0)], np.where(mb2, 4, 3))
    lower_pattern = np.select([position <= 5], [np.where(two_lower, 1, 0)], lower_molar)
    milk_pattern = np.where(position <= 3, 0, np.where(upper, 3, 5))
    pattern = np.where(milk, milk_pattern, np.where(upper, upper_pattern, lower_pattern))

    names = pl.DataFrame(
        [(i, j, canal) for i, canals in enumerate(PATTERNS) for j, canal in enumerate(canals)],
        schema=["_pattern", "_order", "canal"],
        orient="row",
    )
    split = (cases["_planned_visits"].to_numpy() > 1) & dice.happens(n, 0.22)
    other = np.array(truth.SEQUENCES)[dice.pick(n, [3, 1, 0.5, 1])]
    canals = (
        cases.select("_case", "treatment_id", "tooth", "kind", "_dentist", "_started", "_sequence", "_nth", "_type")
        .with_columns(
            _pattern=pl.Series(pattern),
            _split=pl.Series(split),
            _other=pl.Series(other),
            _mixed=pl.Series(dice.happens(n, 0.05) & ~milk),
        )
        .join(names, on="_pattern", maintain_order="left_right")
        .with_columns(_canals=pl.len().over("_case"))
    )
    n = canals.height
    name, molar = canals["canal"].to_numpy(), canals["_type"].to_numpy() == "molar"
    code = canals["canal"].replace_strict({c: i for i, c in enumerate(CURVATURE)}, return_dtype=pl.Int64).to_numpy()
    curvature = np.clip(
        np.round(dice.lognormal(n, np.array(list(CURVATURE.values()), dtype=float)[code, np.where(molar, 0, 1)], 0.5)),
        0,
        85,
    )
    binding = np.clip(
        np.select([name == "MB2", molar], [1, 2], 4)
        + dice.whole(n, 0, 2)
        + np.where(canals["tooth"].to_numpy() % 10 <= 3, 1, 0),
        1,
        7,
    )
    # The second half of the canals of a tooth may be shaped in the second visit.
    late = canals["_split"].to_numpy() & (canals["_order"].to_numpy() >= (canals["_canals"].to_numpy() + 1) // 2)
    changed = canals["_mixed"].to_numpy() & (canals["_order"].to_numpy() == 0) & (canals["_canals"].to_numpy() > 1)
    untouched = (
        dice.happens(n, np.where(name == "MB2", 0.03, 0.006))
        & (canals["_canals"].to_numpy() > 1)
        & (canals["_order"].to_numpy() > 0)
    )
    early = canals["_started"].to_numpy() < np.datetime64(truth.RECIPROCATION_SINCE)
    swap = canals["_other"].to_numpy()
    swap = np.where(early & (swap == "reciprocation-two"), "hand-six", swap)
    sequence = np.where(changed, swap, canals["_sequence"].to_numpy())
    again = canals["kind"].to_numpy() == "retreatment"
    median = truth.canal_minutes(sequence, molar, curvature, again)
    median = median * np.where(sequence == "reciprocation-two", truth.learning_factor(canals["_nth"].to_numpy()), 1.0)
    minutes = np.clip(dice.lognormal(n, median, truth.CANAL_MINUTES_LOG_SD), 2.5, 75)
    canals = canals.with_columns(
        pl.Series("_curvature", curvature),
        pl.Series("_binding", ISO_SIZES[binding]),
        pl.Series("_visit", late.astype(np.int64)),
        pl.Series("_used_sequence", sequence),
        pl.Series("_minutes", np.where(untouched, 0.0, minutes)),
        pl.Series("_untouched", untouched),
    )
    return _canal_findings(dice, canals)


def _canal_findings(dice: Dice, canals: pl.DataFrame) -> pl.DataFrame:
    n = canals.height
    name, tooth = canals["canal"].to_numpy(), canals["tooth"].to_numpy()
    upper, position = np.isin(tooth // 10, (1, 2, 5, 6)), tooth % 10
    length = np.where(upper, LENGTH_UPPER[position - 1], LENGTH_LOWER[position - 1])
    length = np.where(tooth > 50, 15.5, length) + np.select([name == "P", name == "MB2"], [0.6, -0.6], 0.0)
    length = np.clip(np.round(2 * dice.normal(n, length, 1.25)) / 2, 11, 31.5)
    curvature = canals["_curvature"].to_numpy()
    gone = canals["_untouched"].to_numpy()
    glide = dice.pick(n, [0.06, 0.72, 0.22])
    no_glide = glide == 0
    glide_size = np.array([10, 15, 20])[glide]
    last = (
        catalogue()
        .group_by("sequence", maintain_order=True)
        .last()
        .select(_used_sequence="sequence", _last_size="size", _last_taper="taper")
    )
    canals = canals.join(last, on="_used_sequence", how="left", maintain_order="left")
    final = canals["_last_size"].to_numpy() + np.array([-5, 0, 5])[dice.pick(n, [0.05, 0.93, 0.02])]
    gauge = final + 5 * dice.pick(n, [0.7, 0.25, 0.05]) - 5 * dice.happens(n, 0.02)
    confirmed = dice.word(n, ("none", "apex locator", "radiograph", "both", None), (0.04, 0.40, 0.09, 0.40, 0.07))
    extent = np.clip(np.round(dice.normal(n, -0.85, 0.65), 1), -5, 2.5)
    reason = dice.word(n, ("calcified", "could not be entered", "blocked by old filling"), (0.6, 0.3, 0.1))
    radius = np.clip(np.round(dice.lognormal(n, 9.0 - 0.08 * curvature, 0.4), 1), 1.5, 40)
    return canals.with_columns(
        pl.Series("_no_glide_path", no_glide),
        pl.Series("_length", length),
        sequence=unless(gone | dice.happens(n, 0.01), canals["_used_sequence"].to_numpy()),
        curvature_deg=unless(gone | dice.happens(n, 0.10), curvature),
        curve_radius_mm=unless(gone | (curvature < 10) | dice.happens(n, 0.5), radius),
        first_binding_size=unless(gone | dice.happens(n, 0.12), canals["_binding"].to_numpy()),
        working_length_mm=unless(gone | dice.happens(n, 0.03), length),
        glide_path_size=unless(gone | dice.happens(n, 0.07), glide_size),
        length_confirmed=unless(gone, confirmed),
        final_size=unless(gone | dice.happens(n, 0.03), final),
        final_taper=unless(gone | dice.happens(n, 0.03), canals["_last_taper"].to_numpy()),
        apical_gauge_size=unless(gone | dice.happens(n, 0.28), gauge),
        patency=unless(gone | dice.happens(n, 0.12), dice.happens(n, 0.94)),
        filling_extent_mm=unless(gone | dice.happens(n, 0.04), extent),
        filling_voids=unless(gone | dice.happens(n, 0.04), dice.happens(n, 0.07)),
        not_treated=unless(~gone, reason),
    )


def timed(seed: int, canals: pl.DataFrame) -> pl.DataFrame:
    """Canals one after another inside their visit, by the second; many are never written down."""
    dice = Dice(seed, "canal times")
    canals = canals.sort("_case", "_visit", "_order")
    key = canals["_case"].to_numpy() * 4 + canals["_visit"].to_numpy()
    seconds = np.floor(60 * canals["_minutes"].to_numpy()).astype(np.int64)
    finished = (
        canals["_seated"].to_numpy()
        + np.floor(60 * canals["_opening"].to_numpy()).astype(np.int64)
        + running(seconds, key)
    )
    n = canals.height
    seat = canals["seat"].str.slice(1).cast(pl.Int64).to_numpy() - 1
    blank = canals["_untouched"].to_numpy() | dice.happens(n, np.array(truth.CANAL_TIMES_MISSING)[seat % 4])
    return canals.with_columns(
        pl.Series("_seat", seat),
        pl.Series("_from", finished - seconds),
        pl.Series("_to", finished),
        pl.Series("_times_missing", blank),
    )
