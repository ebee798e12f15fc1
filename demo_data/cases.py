"""Who comes: patients, teeth, diagnoses, the sequence chosen for each tooth and what will become of it."""

from __future__ import annotations

import numpy as np
import polars as pl

from demo_data import truth
from demo_data.dice import CLOSED, DATA_DATE, FIRST_DAY, Dice, Ints, place, unless


def cases_of(seed: int, n: int) -> pl.DataFrame:
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
    first = case[failed & (frame["kind"].to_numpy() == "primary") & dice.happens(n, truth.TREATED_AGAIN)]
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
        birth_year=unless(dice.happens(n, 0.03), frame["_born"].to_numpy()),
        dentist=pl.format("D{}", pl.col("_dentist") + 1),
        pulp_diagnosis=unless(dice.happens(n, 0.03), pulp),
        apical_diagnosis=unless(dice.happens(n, 0.04), np.where(lesion, sick, sound)),
        preop_pai=unless(dice.happens(n, 0.04), pai),
        lesion_mm=unless(dice.happens(n, np.where(lesion, 0.12, 0.5)), np.where(lesion, size, 0.0)),
    )
