"""The practice at work: patients, treatments, canals, visits, instrument uses and the instruments themselves.

Frames hold canonical columns plus working columns (leading underscore) that say what the records do not: the true
class of the outcome, the true curvature, the hazards. Arrays only; the one loop that repeats is over passes.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files

import numpy as np
import polars as pl

from demo_data import truth
from demo_data.dice import Dice, Floats, Ints, place, running

FIRST_DAY = np.datetime64(truth.FIRST_DAY)
DATA_DATE = np.datetime64(truth.DATA_DATE)
CLOSED = np.array(
    [
        day
        for year in range(2022, 2032)
        for a, b in truth.CLOSED_FROM_TO
        for day in np.arange(f"{year}-{a}", np.datetime64(f"{year}-{b}") + 1, dtype="datetime64[D]")
    ]
)

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
CURVATURE = {  # median Schneider angle in degrees: molars, other teeth
    **{"MB": (22, 15), "MB2": (25, 15), "DB": (17, 12), "P": (11, 10), "ML": (20, 12), "D": (11, 10), "DL": (13, 12)},
    **{"MM": (19, 12), "M": (16, 12), "S": (10, 8), "B": (12, 10), "L": (13, 12)},
}
ISO_SIZES = np.array([6, 8, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60])
LENGTH_UPPER = np.array([22.8, 21.3, 25.5, 21.6, 21.3, 20.2, 19.6, 18.5])  # working length in mm, by position
LENGTH_LOWER = np.array([20.6, 21.2, 24.6, 21.5, 21.3, 20.4, 19.8, 18.8])
GLIDE_ASKED = 15


@dataclass(frozen=True)
class Work:
    """What was done: canonical frames with working columns, in the order in which it happened."""

    treatments: pl.DataFrame
    canals: pl.DataFrame
    visits: pl.DataFrame
    uses: pl.DataFrame
    instruments: pl.DataFrame


def catalogue() -> pl.DataFrame:
    """The steps of the shipped catalogue, one row each."""
    text = files("demo_data").joinpath("canalwise.toml").read_text(encoding="utf-8")
    steps = [
        {
            "sequence": sequence["id"],
            "irrigant_asked": sequence["irrigant_ml"],
            "catalogue_step": step["step"],
            **{
                name: step.get(name)
                for name in ("size", "taper", "length_mm", "motion", "depth_share", "torque_ncm", "use_limit")
            },
            "slowest": float(step["speed_rpm"][0]) if "speed_rpm" in step else None,
            "fastest": float(step["speed_rpm"][1]) if "speed_rpm" in step else None,
        }
        for sequence in tomllib.loads(text)["sequence"]
        for step in sequence["step"]
    ]
    return pl.DataFrame(steps, infer_schema_length=None)


def at_work(seed: int, treatments: int) -> Work:
    """Three years of work, about this many treatments."""
    cases = _treatments(seed, treatments)
    canals = _canals(seed, cases)
    visits = _visits(seed, cases, canals)
    cases = _close(seed, cases, visits)
    canals = _canal_times(
        seed,
        canals.join(
            visits.filter("_planned").select("_case", "_visit", "_seated", "_opening", seat="dentist"),
            on=["_case", "_visit"],
        ),
    )
    canals = canals.sort("_case", "_order")
    uses, instruments = _uses(seed, canals)
    return Work(cases, canals, visits, uses, instruments)


# --- treatments ------------------------------------------------------------------------------------------------------


def _treatments(seed: int, n: int) -> pl.DataFrame:
    dice = Dice(seed, "treatments")
    patients = max(1, round(0.76 * n))
    patient = np.r_[np.arange(min(patients, n)), dice.whole(n - min(patients, n), 0, patients - 1)]
    patient = patient[np.argsort(dice.uniform(n))]
    dentists = 4 * max(1, round(n / 5000))
    regular = dice.pick(patients, truth.DENTIST_SHARE) + 4 * dice.whole(patients, 0, dentists // 4 - 1)
    other = dice.pick(n, truth.DENTIST_SHARE)
    dentist = np.where(dice.happens(n, 0.06), other, regular[patient])

    days = np.arange(FIRST_DAY, DATA_DATE - 3)
    days = days[np.is_busday(days, holidays=CLOSED)]
    started = np.sort(days[dice.whole(n, 0, len(days) - 1)])

    kind = np.where(dice.happens(n, np.array(truth.RETREATMENT_SHARE)[dentist % 4]), "retreatment", "primary")
    tooth = _teeth(dice, dentist, patient)
    again = kind == "retreatment"
    born = np.clip(np.round(dice.normal(patients, 1974, 17)), 1934, 2011).astype(np.int64)[patient]
    lesion = dice.happens(n, np.where(again, truth.LESION_SHARE["retreatment"], truth.LESION_SHARE["primary"]))

    # A few children with primary teeth; each is the only tooth of that patient.
    alone = np.isin(patient, np.flatnonzero(np.bincount(patient, minlength=patients) == 1))
    child = alone & ~again & dice.happens(n, 0.006)
    milk = np.array([51, 61, 54, 55, 64, 65, 74, 75, 84, 85])
    tooth = np.where(child, milk[dice.pick(n, [1, 1, 2, 2, 2, 2, 3, 4, 3, 4])], tooth)
    born = np.where(child, started.astype("datetime64[Y]").astype(int) + 1970 - dice.whole(n, 5, 8), born)

    healed = dice.happens(n, truth.healed_probability(lesion, again))
    pai = np.where(lesion, 3 + dice.pick(n, [0.33, 0.46, 0.21]), 1 + dice.pick(n, [0.6, 0.4]))
    rest = np.where((pai >= 4) & dice.happens(n, truth.HEALING_OF_THE_REST), "healing", "not healed")
    outcome = np.where(healed, "healed", rest)
    planned, ends = _plan(dice, n, tooth, lesion)

    frame = pl.DataFrame(
        {
            "_case": np.arange(n),
            "_patient": patient,
            "_dentist": dentist,
            "_started": started,
            "_lesion": lesion,
            "_outcome": outcome,
            "_pai": pai,
            "_planned_visits": planned,
            "_ends": ends,
            "tooth": tooth,
            "kind": kind,
            "_born": born,
        }
    )
    frame = _link_retreatments(dice, frame)
    return _diagnoses(dice, _sequence(dice, frame))


def _teeth(dice: Dice, dentist: Ints, patient: Ints) -> Ints:
    """FDI codes by each dentist's mix; no tooth of a patient twice."""
    n = len(dentist)
    shares = np.array(truth.TOOTH_TYPE_SHARE)[dentist % 4]
    tooth = np.zeros(n, dtype=np.int64)
    again = np.ones(n, dtype=bool)
    for _ in range(50):
        type_ = dice.pick(n, shares)
        upper = dice.happens(n, np.array([0.78, 0.66, 0.55, 0.44])[type_])
        incisor = np.where(dice.happens(n, 0.56), 1, 2)
        premolar = np.where(dice.happens(n, 0.45), 4, 5)
        molar = 6 + dice.pick(n, [0.62, 0.34, 0.04])
        position = np.select([type_ == 0, type_ == 1, type_ == 2], [incisor, 3, premolar], molar)
        left = dice.happens(n, 0.5)
        quadrant = np.where(upper, np.where(left, 2, 1), np.where(left, 3, 4))
        tooth = np.where(again, quadrant * 10 + position, tooth)
        order = np.lexsort((np.arange(n), tooth, patient))
        mouth = patient[order] * 100 + tooth[order]
        again = np.zeros(n, dtype=bool)
        again[order] = place(mouth) > 0
        if not again.any():
            break
    return tooth


def _plan(dice: Dice, n: int, tooth: Ints, lesion: np.ndarray) -> tuple[Ints, np.ndarray]:
    """How many visits are planned, and how the treatment ends if the calendar allows."""
    molar = tooth % 10 >= 6
    shares = np.array([[0.58, 0.36, 0.06], [0.36, 0.50, 0.14], [0.40, 0.49, 0.11], [0.22, 0.57, 0.21]])
    planned = 1 + dice.pick(n, shares[2 * molar + lesion])
    ends = dice.word(n, ("completed", "abandoned", "referred", "stalled"), (0.94, 0.025, 0.012, 0.023))
    return np.where(ends == "completed", planned, np.maximum(planned, 2)), ends.astype(str)


def _link_retreatments(dice: Dice, frame: pl.DataFrame) -> pl.DataFrame:
    """Some teeth that did not heal are treated again here: later retreatments take over their patient and tooth."""
    n = frame.height
    case, started = frame["_case"].to_numpy(), frame["_started"].to_numpy()
    failed = (
        (frame["_outcome"].to_numpy() == "not healed")
        & (frame["_ends"].to_numpy() == "completed")
        & (frame["tooth"].to_numpy() < 50)
    )
    first = case[failed & (frame["kind"].to_numpy() == "primary") & dice.happens(n, 0.22)]
    wanted = started[first] + dice.whole(len(first), 410, 640)
    later = case[frame["kind"].to_numpy() == "retreatment"]
    at = np.searchsorted(started[later], wanted)
    fits = at < len(later)
    first, at = first[fits], at[fits]
    _, unique = np.unique(at, return_index=True)  # a retreatment takes over one tooth only
    first, second = first[unique], later[at[unique]]
    source = case.copy()
    source[second] = first
    again_from = np.full(n, -1)
    again_from[first] = second
    return frame.with_columns(
        *(pl.lit(frame[name].to_numpy()[source]).alias(name) for name in ("_patient", "tooth", "_born")),
        pl.Series("_treated_again_by", again_from),
    )


def _tooth_type(tooth: Ints) -> np.ndarray:
    position = np.where((tooth > 50) & (tooth % 10 >= 4), 6, tooth % 10)  # primary 4 and 5 are molars
    return np.select([position <= 2, position == 3, position <= 5], ["incisor", "canine", "premolar"], "molar")


def _sequence(dice: Dice, frame: pl.DataFrame) -> pl.DataFrame:
    """Case selection: the sequence of the whole tooth by its type, lesion and kind."""
    n = frame.height
    type_ = _tooth_type(frame["tooth"].to_numpy())
    lesion = frame["_lesion"].to_numpy()
    shares = np.zeros((n, len(truth.SEQUENCES)))
    for (group, with_lesion), row in truth.SEQUENCE_SHARE.items():
        here = (lesion == with_lesion) & (
            (type_ == group) | ((group == "front") & np.isin(type_, ("incisor", "canine")))
        )
        shares[here] = row
    again = frame["kind"].to_numpy() == "retreatment"
    shares[again] *= truth.SEQUENCE_WEIGHT_IN_RETREATMENT
    early = frame["_started"].to_numpy() < np.datetime64(truth.RECIPROCATION_SINCE)
    shares[early, truth.SEQUENCES.index("reciprocation-two")] = 0
    shares[frame["tooth"].to_numpy() > 50] = (1, 0, 0, 0)
    sequence = np.array(truth.SEQUENCES)[dice.pick(n, shares)]
    frame = frame.with_columns(pl.Series("_sequence", sequence), pl.Series("_type", type_))
    return frame.with_columns(pl.int_range(1, pl.len() + 1).over("_dentist", "_sequence").alias("_nth"))


def _diagnoses(dice: Dice, frame: pl.DataFrame) -> pl.DataFrame:
    n = frame.height
    lesion, again = frame["_lesion"].to_numpy(), frame["kind"].to_numpy() == "retreatment"
    dead = dice.word(
        n, ("pulp necrosis", "previously initiated therapy", "symptomatic irreversible pulpitis"), (0.86, 0.09, 0.05)
    )
    alive = dice.word(
        n,
        (
            "symptomatic irreversible pulpitis",
            "asymptomatic irreversible pulpitis",
            "pulp necrosis",
            "previously initiated therapy",
            "reversible pulpitis",
            "normal pulp",
        ),
        (0.58, 0.17, 0.15, 0.05, 0.02, 0.03),
    )
    pulp = np.where(again, "previously treated", np.where(lesion, dead, alive))
    sick = dice.word(
        n,
        (
            "asymptomatic apical periodontitis",
            "symptomatic apical periodontitis",
            "chronic apical abscess",
            "acute apical abscess",
            "condensing osteitis",
        ),
        (0.44, 0.31, 0.12, 0.10, 0.03),
    )
    sound = dice.word(n, ("normal apical tissues", "symptomatic apical periodontitis"), (0.62, 0.38))
    pai = frame["_pai"].to_numpy()
    size = np.clip(np.round(dice.lognormal(n, np.array([0, 0, 0, 2.2, 4.2, 6.5])[pai], 0.35), 1), 0.8, 18)
    return frame.with_columns(
        treatment_id=pl.format("T{}", (pl.col("_case") + 1).cast(pl.String).str.zfill(5)),
        patient_id=pl.format("P{}", (pl.col("_patient") * 7919 % 99991).cast(pl.String).str.zfill(5)),
        birth_year=_unless(dice.happens(n, 0.03), frame["_born"].to_numpy()),
        dentist=pl.format("D{}", pl.col("_dentist") + 1),
        pulp_diagnosis=_unless(dice.happens(n, 0.03), pulp),
        apical_diagnosis=_unless(dice.happens(n, 0.04), np.where(lesion, sick, sound)),
        preop_pai=_unless(dice.happens(n, 0.04), pai),
        lesion_mm=_unless(dice.happens(n, np.where(lesion, 0.12, 0.5)), np.where(lesion, size, 0.0)),
    )


def _unless(missing: np.ndarray, values: np.ndarray) -> pl.Series:
    """The values as a column, empty where missing."""
    column = pl.Series(values.tolist() if values.dtype == object else values)
    return pl.DataFrame({"v": column, "missing": missing}).select(pl.when(~pl.col("missing")).then("v"))["v"]


# --- canals ----------------------------------------------------------------------------------------------------------


def _canals(seed: int, cases: pl.DataFrame) -> pl.DataFrame:
    """One row a canal, with the visit in which it is shaped and the minutes that takes."""
    dice = Dice(seed, "canals")
    tooth, dentist = cases["tooth"].to_numpy(), cases["_dentist"].to_numpy() % 4
    n = len(tooth)
    upper, position = np.isin(tooth // 10, (1, 2, 5, 6)), tooth % 10
    milk = tooth > 50
    mb2 = (
        dice.happens(
            n,
            np.select(
                [position == 6, position == 7],
                [np.array(truth.MB2_FOUND)[dentist], 0.7 * np.array(truth.MB2_FOUND)[dentist]],
                0.0,
            ),
        )
        & ~milk
    )
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
        cases.select(
            "_case",
            "treatment_id",
            "tooth",
            "kind",
            "_dentist",
            "_started",
            "_sequence",
            "_nth",
            "_lesion",
            "_ends",
            "_type",
        )
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
    # The second half of the canals of a tooth may be shaped in the second visit; a few single canals wait too.
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
    untouched = canals["_untouched"].to_numpy()
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
    gauge = final + 5 * dice.pick(n, [0.7, 0.25, 0.05]) - 5 * dice.happens(n, 0.04)
    confirmed = dice.word(n, ("none", "apex locator", "radiograph", "both", None), (0.04, 0.40, 0.09, 0.40, 0.07))
    extent = np.clip(np.round(dice.normal(n, -0.85, 0.65), 1), -5, 2.5)
    reason = dice.word(n, ("calcified", "could not be entered", "blocked by old filling"), (0.6, 0.3, 0.1))
    gone = untouched
    radius = np.clip(np.round(dice.lognormal(n, 9.0 - 0.08 * curvature, 0.4), 1), 1.5, 40)
    return canals.with_columns(
        pl.Series("_no_glide_path", no_glide),
        pl.Series("_length", length),
        sequence=_unless(gone | dice.happens(n, 0.01), canals["_used_sequence"].to_numpy()),
        curvature_deg=_unless(gone | dice.happens(n, 0.10), curvature),
        curve_radius_mm=_unless(gone | (curvature < 10) | dice.happens(n, 0.5), radius),
        first_binding_size=_unless(gone | dice.happens(n, 0.12), canals["_binding"].to_numpy()),
        working_length_mm=_unless(gone | dice.happens(n, 0.03), length),
        glide_path_size=_unless(gone | dice.happens(n, 0.07), glide_size),
        length_confirmed=_unless(gone, confirmed),
        final_size=_unless(gone | dice.happens(n, 0.03), final),
        final_taper=_unless(gone | dice.happens(n, 0.03), canals["_last_taper"].to_numpy()),
        apical_gauge_size=_unless(gone | dice.happens(n, 0.28), gauge),
        patency=_unless(gone | dice.happens(n, 0.12), dice.happens(n, 0.94)),
        _extent=_unless(gone | dice.happens(n, 0.04), extent),
        _voids=_unless(gone | dice.happens(n, 0.04), dice.happens(n, 0.07)),
        not_treated=_unless(~gone, reason),
    )


# --- visits ----------------------------------------------------------------------------------------------------------


def _visits(seed: int, cases: pl.DataFrame, canals: pl.DataFrame) -> pl.DataFrame:
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
    booked = 15 * np.clip(np.round(frame["_minutes"].to_numpy() * dice.lognormal(n, 0.96, 0.20) / 15), 1, 12)
    dam = dice.happens(n, np.array(truth.RUBBER_DAM)[seat % 4])
    frame = frame.with_columns(
        pl.Series("_day", day),
        pl.Series("_seated", (day.astype("datetime64[s]").astype(np.int64) + 60 * seated)),
        pl.Series("_seat", seat),
        dentist=pl.Series([f"D{i + 1}" for i in range(int(seat.max()) + 1)])[seat],
        chair=_unless(dice.happens(n, 0.02), np.char.add("chair ", chair.astype(str))),
        booked_minutes=_unless(dice.happens(n, 0.05), booked),
        rubber_dam=_unless(dice.happens(n, 0.05), dam),
        reason=_unless(dice.happens(n, np.where(frame["_planned"].to_numpy(), 0.03, 0.0)), frame["reason"].to_numpy()),
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
    """Day and minute of the day at which each visit begins: one patient at a time for each dentist, ten minutes between.

    What does not fit into a day moves to the next working day.
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


def _close(seed: int, cases: pl.DataFrame, visits: pl.DataFrame) -> pl.DataFrame:
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
        restoration=_unless(dice.happens(n, 0.03), restoration.astype(str)),
        restored_on=_unless(~definite, restored),
    )


def _canal_times(seed: int, canals: pl.DataFrame) -> pl.DataFrame:
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
        filling_extent_mm=pl.col("_extent"),
        filling_voids=pl.col("_voids"),
    )


# --- instruments and their uses --------------------------------------------------------------------------------------


def _uses(seed: int, canals: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Every instrument taken into every canal, in order, and the physical instruments that this takes."""
    dice = Dice(seed, "uses")
    worked = canals.filter(~pl.col("_untouched"))
    n = worked.height
    worked = worked.with_columns(
        _skips=pl.Series(dice.happens(n, 0.03)), _swaps=pl.Series(dice.happens(n, 0.02)), _row=pl.int_range(pl.len())
    )
    uses = worked.select(
        "_row",
        "_case",
        "treatment_id",
        "canal",
        "_used_sequence",
        "_type",
        "_curvature",
        "_no_glide_path",
        "_length",
        "_from",
        "_minutes",
        "_seat",
        "_visit",
        "_skips",
        "_swaps",
    ).join(catalogue().rename({"sequence": "_used_sequence"}), on="_used_sequence", maintain_order="left_right")
    step = uses["catalogue_step"].to_numpy()
    steps = uses.select(pl.col("catalogue_step").max().over("_row"))["catalogue_step"].to_numpy()
    # One step left out: the last but one. Two steps exchanged: the last two.
    kept = ~(uses["_skips"].to_numpy() & (step == steps - 1))
    place_ = np.where(uses["_swaps"].to_numpy() & (step >= steps - 1), 2 * steps - 1 - step, step)
    uses = uses.with_columns(pl.Series("_place", place_)).filter(pl.Series(kept)).sort("_from", "_row", "_place")
    uses = uses.with_columns(step=pl.int_range(1, pl.len() + 1).over("_row", order_by="_place"))
    n = uses.height
    count = uses.select(pl.len().over("_row"))["len"].to_numpy()
    span = 60 * uses["_minutes"].to_numpy()
    begin = uses["_from"].to_numpy() + span * (
        0.04 + 0.86 * (uses["step"].to_numpy() - 1 + 0.5 * dice.uniform(n)) / count
    )
    engine = uses["motion"].to_numpy() != "hand"
    room = np.maximum(4, 0.86 * span / count * 0.5)
    seconds = np.minimum(room, dice.lognormal(n, np.where(engine, 22.0, 55.0), 0.45))
    depth = uses["depth_share"].to_numpy() * uses["_length"].to_numpy()
    depth = depth - np.abs(dice.normal(n, 0.0, 0.25)) + np.where(dice.happens(n, 0.03), dice.uniform(n, 0.8, 2.0), 0.0)
    length = np.where(depth > uses["length_mm"].to_numpy() - 1, 31, uses["length_mm"].to_numpy())
    uses = uses.with_columns(
        pl.Series("_begin", np.floor(begin).astype(np.int64)),
        pl.Series("_seconds", np.maximum(3, np.round(seconds))),
        pl.Series("_depth", np.round(depth, 1)),
        pl.Series("_engine", engine),
        pl.Series("_length_mm", length.astype(np.int64)),
        _limit=pl.col("use_limit"),
    ).with_columns(_stream=pl.struct("_seat", "size", "taper", "motion", "_length_mm").rank("dense").cast(pl.Int64) - 1)
    uses = _wear(Dice(seed, "wear"), uses.sort("_stream", "_begin", "_row", "step"))
    instruments = _instruments(Dice(seed, "instruments"), uses)
    uses = (
        uses.filter("_done")
        .join(instruments.select("_instrument", "instrument_id", "lot"), on="_instrument", maintain_order="left")
        .sort("_begin", "_seat", "_row", "step")
    )
    return _settings_and_results(Dice(seed, "settings"), uses), instruments.sort("instrument_id")


def _wear(dice: Dice, uses: pl.DataFrame) -> pl.DataFrame:
    """Which physical instrument each use takes, its use number, and whether it separates or deforms.

    Every dentist draws each kind of instrument from a stream of new ones: one is used until its planned end, or until
    it separates or deforms; then the next is taken. A separation may also end the work in its canal, so that later
    steps are never done. Since a use only depends on earlier ones, repeating the whole computation settles after a few
    passes: each pass puts right at least the earliest use that was still wrong.
    """
    n = uses.height
    stream, row, step = (uses[name].to_numpy() for name in ("_stream", "_row", "step"))
    engine, limit = uses["_engine"].to_numpy(), uses["_limit"].to_numpy()
    molar, curvature, no_glide = (
        uses["_type"].to_numpy() == "molar",
        uses["_curvature"].to_numpy(),
        uses["_no_glide_path"].to_numpy(),
    )
    planned = np.where(
        dice.happens(n, truth.OVER_LIMIT),
        limit + dice.whole(n, 1, 3),
        np.where(dice.happens(n, 0.14), dice.whole(n, 1, limit - 1), limit),
    )
    reach = n + 1  # the planned lives of a stream, one after another, on a line of their own
    ends = running(planned, stream) + stream * reach * 20
    chance, stops = dice.uniform(n), dice.happens(n, 0.6)
    separated = deformed = np.zeros(n, dtype=bool)
    for _ in range(200):
        stopped_at = np.full(int(row.max()) + 1, 1_000)
        np.minimum.at(stopped_at, row[separated & stops], step[separated & stops])
        done = step <= stopped_at[row]
        position = running(done.astype(np.int64), stream) - 1  # 0, 1, ... among the uses done of the stream
        life = np.searchsorted(ends, position + stream * reach * 20, side="right")
        broken = running((separated | deformed).astype(np.int64), stream) - (separated | deformed)
        piece = life * 1_000 + broken
        piece = np.where(done, piece, -1)
        number = np.zeros(n, dtype=np.int64)
        number[done] = place(piece[done]) + 1
        hazard = np.where(engine, truth.separation_hazard(number, molar, curvature, no_glide), truth.HAND_SEPARATION)
        bends = truth.deformation_hazard(number, engine)
        now_separated = done & (chance < hazard)
        now_deformed = done & ~now_separated & (chance < hazard + bends)
        settled = (now_separated == separated).all() and (now_deformed == deformed).all()
        separated, deformed = now_separated, now_deformed
        if settled:
            break
    else:
        raise AssertionError("the wear of instruments did not settle")
    instrument = np.full(n, -1)
    instrument[done] = np.cumsum(np.r_[True, piece[done][1:] != piece[done][:-1]]) - 1
    return uses.with_columns(
        pl.Series("_done", done),
        pl.Series("_number", number),
        pl.Series("_hazard", hazard),
        pl.Series("_instrument", instrument),
        pl.Series("_planned_life", planned[np.clip(life, 0, n - 1)]),
        pl.Series("_separated", separated),
        pl.Series("_deformed", deformed),
    )


PRICE = {"hand": 2.10, "rotation": 11.40, "reciprocation": 16.90}
WHAT = {"hand": "hand instrument", "rotation": "rotation instrument", "reciprocation": "reciprocation instrument"}


def _instruments(dice: Dice, uses: pl.DataFrame) -> pl.DataFrame:
    """The instruments that were used, and some that lie in the drawer, with lots, prices and how they ended."""
    used = (
        uses.filter("_done")
        .group_by("_instrument", maintain_order=True)
        .agg(
            pl.col("_stream", "size", "taper", "motion", "_length_mm", "_limit", "_planned_life").first(),
            _first=pl.col("_begin").first() // 86_400,
            _last=pl.col("_begin").last() // 86_400,
            _uses=pl.len(),
            _sessions=pl.struct("_case", "_visit").n_unique(),
            _separated=pl.col("_separated").any(),
            _deformed=pl.col("_deformed").any(),
        )
        .with_columns(_newest=pl.col("_instrument") == pl.col("_instrument").max().over("_stream"))
    )
    n = used.height
    # In service: the newest of its stream, unless it reached its planned end or broke. The rest of a planned life that
    # a breakage cut short is served by a successor, which then goes early ("other").
    ended = (used["_separated"] | used["_deformed"]).to_numpy()
    worn = (used["_uses"] >= used["_limit"]).to_numpy()
    retired = ended | worn | ~used["_newest"].to_numpy() | (used["_uses"] >= used["_planned_life"]).to_numpy()
    early = dice.word(n, ("other", "lost", "expired"), (0.86, 0.11, 0.03))
    reason = np.where(
        used["_separated"].to_numpy(),
        "separated",
        np.where(used["_deformed"].to_numpy(), "deformed", np.where(worn, "use limit", early.astype(str))),
    )
    today = DATA_DATE.astype(np.int64)
    on = np.minimum(used["_last"].to_numpy() + np.where(ended, 0, dice.whole(n, 0, 2)), today)
    used = used.with_columns(retired_reason=_unless(~retired, reason), _retired=_unless(~retired, on)).sort(
        "_first", "_instrument"
    )

    # Deliveries: each kind of instrument comes in boxes of one lot, received before its first is needed.
    kinds = ["size", "taper", "motion", "_length_mm"]
    used = used.with_columns(
        _kind=pl.struct(kinds).rank("dense").cast(pl.Int64) - 1, _box=pl.int_range(pl.len()).over(kinds) // 20
    )
    boxes = used.group_by("_kind", "_box", maintain_order=True).agg(_needed=pl.col("_first").min())
    received = boxes["_needed"].to_numpy() - dice.whole(boxes.height, 12, 70)
    boxes = boxes.with_columns(
        pl.Series("_received", received),
        pl.Series("_expires", received + 5 * 365),
        pl.Series("_lot", dice.whole(boxes.height, 100, 999)),
    )
    spare = _drawer(dice, used)
    everything = pl.concat([used, spare], how="diagonal").join(
        boxes.drop("_needed"), on=["_kind", "_box"], how="left", maintain_order="left"
    )
    everything = everything.with_columns(_first=pl.col("_first").fill_null(today + 1)).sort(
        "_first", "_received", "_kind", maintain_order=True
    )
    n = everything.height
    price = everything["motion"].replace_strict(PRICE, return_dtype=pl.Float64).to_numpy() + np.where(
        everything["_length_mm"].to_numpy() == 31, 0.4, 0.0
    )
    price = price + np.where(
        everything["_received"].to_numpy() > np.datetime64("2025-01-01").astype(np.int64), 0.06 * price, 0.0
    )
    everything = everything.with_columns(
        instrument_id=pl.format("I{}", pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(6)),
        lot=pl.format(
            "L{}-{}",
            pl.from_epoch("_received", "d").dt.strftime("%y%m"),
            (pl.col("_kind") * 37 + pl.col("_lot")).cast(pl.String),
        ),
        length_mm=pl.col("_length_mm").cast(pl.Float64),
        description=pl.format(
            "{} {} / {}", pl.col("motion").replace_strict(WHAT), "size", pl.col("taper").cast(pl.String)
        ),
        price=_unless(dice.happens(n, 0.02), np.round(price, 2)),
        received_on=pl.from_epoch("_received", "d"),
        use_limit=_unless(dice.happens(n, 0.02), everything["_limit"].to_numpy()),
        sterilisations=_unless(
            dice.happens(n, 0.02),
            everything["_sessions"].fill_null(0).to_numpy()
            + np.where(everything["_separated"].fill_null(False).to_numpy(), 0, 1),
        ),
        retired_on=pl.from_epoch("_retired", "d"),
    )
    return everything.with_columns(udi=_unless(dice.happens(n, 0.10), _udi(everything)))


def _drawer(dice: Dice, used: pl.DataFrame) -> pl.DataFrame:
    """Instruments never used: the rest of each kind's newest box, and a few that expired or were lost unused."""
    newest = used.group_by("_kind", maintain_order=True).agg(
        pl.col("size", "taper", "motion", "_length_mm", "_limit").first(), pl.col("_box").max(), _held=pl.len()
    )
    spare = newest.select(pl.all().repeat_by(3 + (19 - (pl.col("_held") - 1) % 20) // 2)).explode(pl.all())
    gone = dice.happens(spare.height, 0.04)
    why = dice.word(spare.height, ("expired", "lost"), (0.7, 0.3)).astype(str)
    day = DATA_DATE.astype(np.int64) - dice.whole(spare.height, 0, 4)
    return spare.drop("_held").with_columns(retired_reason=_unless(~gone, why), _retired=_unless(~gone, day))


def _udi(instruments: pl.DataFrame) -> np.ndarray:
    """GS1 strings: item number, expiry, lot, serial. The item numbers begin with 2, which GS1 leaves to local use."""
    number = 290_000_000_000 + 17 * instruments["_kind"].to_numpy()
    parts = (number[:, None] // 10 ** np.arange(12)) % 10  # from the right
    check = (10 - (parts * np.where(np.arange(12) % 2 == 0, 3, 1)).sum(axis=1) % 10) % 10
    frame = instruments.with_columns(pl.Series("_item", number * 10 + check))
    return (
        frame.select(
            pl.format(
                "(01)0{}(17){}(10){}(21){}",
                "_item",
                pl.from_epoch("_expires", "d").dt.strftime("%y%m%d"),
                "lot",
                pl.col("instrument_id"),
            )
        )
        .to_series()
        .to_numpy()
    )


def _settings_and_results(dice: Dice, uses: pl.DataFrame) -> pl.DataFrame:
    """What the motor was set to, and how the use ended, as written down."""
    n = uses.height
    engine = uses["_engine"].to_numpy()
    slow, fast = uses["slowest"].fill_null(0).to_numpy(), uses["fastest"].fill_null(0).to_numpy()
    speed = 10 * np.round((slow + (fast - slow) * dice.uniform(n)) / 10)
    speed = np.where(
        dice.happens(n, 0.05), fast + 10 * dice.whole(n, 1, 8), np.where(dice.happens(n, 0.01), slow - 20, speed)
    )
    torque = uses["torque_ncm"].fill_null(0).to_numpy()
    torque = np.round(np.where(dice.happens(n, 0.04), torque * 1.3, torque), 1)
    peak = np.round(torque * np.minimum(1.0, 0.35 + 0.5 * dice.uniform(n) + 0.3 * uses["_separated"].to_numpy()), 2)
    asked = uses["irrigant_asked"].to_numpy()
    irrigant = np.round(2 * np.where(dice.happens(n, 0.04), 0.0, asked + np.abs(dice.normal(n, 0.0, 0.6)))) / 2
    separated, deformed = uses["_separated"].to_numpy(), uses["_deformed"].to_numpy()
    told = dice.pick(n, (truth.SEPARATION_IN_BOTH, truth.SEPARATION_ONLY_USE, truth.SEPARATION_ONLY_INCIDENT))
    last = (uses["_number"] == uses.select(pl.col("_number").max().over("_instrument"))["_number"]).to_numpy() & (
        uses["_number"] >= uses["_limit"]
    ).to_numpy()
    result = np.where(last & dice.happens(n, 0.6), "discarded", "intact")
    result = np.where(deformed, "deformed", np.where(separated, np.where(told == 2, "discarded", "separated"), result))
    untracked = dice.happens(n, truth.UNTRACKED)
    untimed = dice.happens(int(uses["_row"].max()) + 1, 0.04)[uses["_row"].to_numpy()]
    return uses.with_columns(
        pl.Series("_told", told),
        use_id=pl.format("U{}", pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(7)),
        instrument_id=_unless(untracked, uses["instrument_id"].to_numpy()),
        lot=_unless(untracked | dice.happens(n, 0.02), uses["lot"].to_numpy()),
        _untimed=pl.Series(untimed),
        seconds=_unless(dice.happens(n, 0.03), uses["_seconds"].to_numpy()),
        speed_rpm=_unless(~engine | dice.happens(n, 0.03), speed),
        torque_ncm=_unless(~engine | dice.happens(n, 0.03), torque),
        peak_torque_ncm=_unless(~engine | dice.happens(n, 0.45), peak),
        depth_mm=_unless(dice.happens(n, 0.08), uses["_depth"].to_numpy()),
        irrigant_ml=_unless(dice.happens(n, 0.05), irrigant),
        result=pl.Series(result),
    )
