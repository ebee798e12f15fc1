"""The written truth of the invented practice: what the generator puts in, and what good measures must get out again.

Everything here is invented. The figures lie in ranges that are plausible for general and endodontic practice, but they
describe no practice, no population and no product. The generator draws from these functions; tests and benchmarks
compare measured figures with them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

PRACTICE = "ostrobrueck"
FIRST_DAY = "2023-07-03"  # a Monday
DATA_DATE = "2026-06-30"  # nothing in the exports is later
OPENS, CLOSES = 8 * 60, 18 * 60  # minutes after midnight, Monday to Friday
CLOSED_FROM_TO = (("12-24", "12-31"), ("01-01", "01-02"))  # month-day, every year

SEQUENCES = ("hand-six", "rotation-five", "rotation-three", "reciprocation-two")
TOOTH_TYPES = ("incisor", "canine", "premolar", "molar")

# --- who treats what -------------------------------------------------------------------------------------------------

# Four dentists with differing work: D1 sees everything, D2 mostly molars, D3 mostly front teeth, D4 many retreatments.
DENTIST_SHARE = (0.31, 0.29, 0.21, 0.19)
TOOTH_TYPE_SHARE = (  # by dentist, in the order of TOOTH_TYPES
    (0.24, 0.10, 0.28, 0.38),
    (0.14, 0.06, 0.24, 0.56),
    (0.36, 0.14, 0.28, 0.22),
    (0.18, 0.08, 0.26, 0.48),
)
RETREATMENT_SHARE = (0.11, 0.12, 0.08, 0.30)  # by dentist
LESION_SHARE = {"primary": 0.44, "retreatment": 0.64}

RECIPROCATION_SINCE = "2024-02-01"  # before that day the practice did not have it

# (b) Which sequence a tooth gets, in the order of SEQUENCES. "rotation-three" gets the easy teeth (front teeth without
# a lesion), "rotation-five" the hard ones. This, and nothing else, is why their healed shares differ.
SEQUENCE_SHARE = {  # (tooth group, lesion before treatment)
    ("front", False): (0.08, 0.05, 0.77, 0.10),
    ("front", True): (0.12, 0.48, 0.25, 0.15),
    ("premolar", False): (0.08, 0.13, 0.57, 0.22),
    ("premolar", True): (0.08, 0.57, 0.11, 0.24),
    ("molar", False): (0.07, 0.27, 0.32, 0.34),
    ("molar", True): (0.06, 0.58, 0.05, 0.31),
}
SEQUENCE_WEIGHT_IN_RETREATMENT = (1.4, 1.4, 0.45, 0.8)  # multiplied in, then scaled to one
FAVOURED, BURDENED = "rotation-three", "rotation-five"
CRUDE_DIFFERENCE_AT_LEAST = 0.08  # healed share, favoured less burdened
ADJUSTED_DIFFERENCE = 0.0  # within tooth type x lesion x kind there is none


# --- (a) separation --------------------------------------------------------------------------------------------------

SEPARATION_AT_FIRST_USE = 0.00095  # straight canal, no molar, glide path made
SEPARATION_PER_FURTHER_USE = 0.45  # each further canal adds this share of the first hazard
SEPARATION_IN_MOLARS = 1.7
SEPARATION_IN_CURVED = 2.2
SEPARATION_WITHOUT_GLIDE_PATH = 2.0
CURVED_FROM_DEG = 25.0  # the class "severe" begins here (Schneider 1971)
HAND_SEPARATION = 0.00015  # per use, constant


def separation_hazard(
    use_number: ArrayLike, molar: ArrayLike, curvature_deg: ArrayLike, no_glide_path: ArrayLike
) -> Floats:
    """Probability that an engine-driven instrument separates in one canal.

    `use_number` counts the canals this physical instrument has been in, this one included (1 = new). The hazard rises
    in a straight line with it: 1, 1.45, 1.9 ... times the first. Molars, canals of 25 degrees or more (Schneider) and
    canals without the catalogue's glide path multiply it. Nothing else does: no sequence, dentist, lot, size or speed.
    """
    number = np.asarray(use_number, dtype=float)
    hazard = SEPARATION_AT_FIRST_USE * (1 + SEPARATION_PER_FURTHER_USE * (number - 1))
    hazard = hazard * np.where(molar, SEPARATION_IN_MOLARS, 1.0)
    hazard = hazard * np.where(np.asarray(curvature_deg, dtype=float) >= CURVED_FROM_DEG, SEPARATION_IN_CURVED, 1.0)
    return hazard * np.where(no_glide_path, SEPARATION_WITHOUT_GLIDE_PATH, 1.0)


def deformation_hazard(use_number: ArrayLike, engine_driven: ArrayLike) -> Floats:
    """Probability that an instrument is found deformed after one canal: rises with use number, hand or engine."""
    number = np.asarray(use_number, dtype=float)
    return np.where(engine_driven, 0.002, 0.003) * (1 + 0.25 * (number - 1))


# Where a separation is written down: as the result of the use, as an incident, or (most of them) both.
SEPARATION_IN_BOTH, SEPARATION_ONLY_USE, SEPARATION_ONLY_INCIDENT = 0.84, 0.08, 0.08
PATIENT_INFORMED = 0.92  # of separation incidents where it is recorded

# Other incidents, per canal worked on.
INCIDENT_RATE = {
    "ledge": 0.012,
    "blockage": 0.010,
    "over-instrumentation": 0.008,
    "transportation": 0.005,
    "perforation": 0.004,
    "irrigant extrusion": 0.0025,
    "missed canal": 0.002,
    "other": 0.002,
}


# --- (c) healing -----------------------------------------------------------------------------------------------------

HEALED = {  # (lesion before treatment, kind): probability of the class "healed" at 12 months or later
    (False, "primary"): 0.95,
    (False, "retreatment"): 0.88,
    (True, "primary"): 0.77,
    (True, "retreatment"): 0.66,
}
HEALING_OF_THE_REST = 0.45  # of those with PAI 4-5 before that do not heal: smaller lesion, no signs ("healing")
SIGNS_IN_NOT_HEALED = 0.5  # the rest of "not healed" shows only in the image
# A tooth that failed with the PAI of before and no signs can only be told uncertain until four years after completion.
TREATED_AGAIN = (
    0.22  # of first treatments that failed: retreated 410 to 640 days after they began, known without recall
)


def healed_probability(lesion: ArrayLike, retreatment: ArrayLike) -> Floats:
    """Probability that a completed tooth, if still there, is healed at any follow-up from 12 calendar months on.

    Healed: tooth present, pain, tenderness, swelling and sinus tract all recorded false, PAI 1-2. It depends on the
    lesion before treatment and on the kind of treatment only. A tooth keeps its class: follow-ups at or after 12 months
    all show the same one; before 12 months a healed tooth with a lesion may still show PAI 3.
    """
    no_lesion = np.where(retreatment, HEALED[False, "retreatment"], HEALED[False, "primary"])
    with_lesion = np.where(retreatment, HEALED[True, "retreatment"], HEALED[True, "primary"])
    return np.where(lesion, with_lesion, no_lesion)


# --- (d) loss to recall ----------------------------------------------------------------------------------------------

RECALL_HEALED = 0.67  # probability of coming to the recall at one year (healed or healing)
RECALL_NOT_HEALED = 0.38  # those whose tooth failed come less often: the seen look better than all
RECALL_BY_DENTIST = (1.0, 1.0, 0.78, 1.0)  # the third dentist's patients come less, whatever the outcome
RECALL_SHARE_BETWEEN = (0.53, 0.67)  # what a 9-18 month window finds overall
LATER_RECALL = {24: (0.55, 0.20), 36: (0.55, 0.15)}  # months: if seen at the recall before, if not
EARLY_RECALL = 0.15  # an extra look at half a year


def recall_probability(not_healed: ArrayLike, dentist: ArrayLike) -> Floats:
    """Probability of a follow-up at about 13 months, if the tooth is still there.

    `dentist` is 0-3 for D1-D4; a larger practice repeats the four.
    """
    base = np.where(not_healed, RECALL_NOT_HEALED, RECALL_HEALED)
    found: Floats = base * np.asarray(RECALL_BY_DENTIST)[np.asarray(dentist) % len(RECALL_BY_DENTIST)]
    return found


# --- (e) chair time --------------------------------------------------------------------------------------------------

CANAL_MINUTES = {"hand-six": 21.0, "rotation-five": 15.0, "rotation-three": 11.5, "reciprocation-two": 9.5}
CANAL_MINUTES_IN_MOLARS = 1.20
CANAL_MINUTES_IN_CURVED = 1.12
CANAL_MINUTES_IN_RETREATMENT = 1.25
CANAL_MINUTES_LOG_SD = 0.36
LEARNING_AT_START, LEARNING_CASES = 0.45, 12.0
SLOWER_SINCE, SLOWER_BY = "2026-04-01", 1.35  # opening and closing of a visit take longer from then on


def canal_minutes(sequence: ArrayLike, molar: ArrayLike, curvature_deg: ArrayLike, retreatment: ArrayLike) -> Floats:
    """Median minutes from start to finish of one canal; times are log-normal around it (CANAL_MINUTES_LOG_SD)."""
    names = np.asarray(sequence)
    median = np.zeros(names.shape)
    for name, minutes in CANAL_MINUTES.items():
        median = np.where(names == name, minutes, median)
    median = median * np.where(molar, CANAL_MINUTES_IN_MOLARS, 1.0)
    median = median * np.where(np.asarray(curvature_deg, dtype=float) >= CURVED_FROM_DEG, CANAL_MINUTES_IN_CURVED, 1.0)
    return median * np.where(retreatment, CANAL_MINUTES_IN_RETREATMENT, 1.0)


def learning_factor(case: ArrayLike) -> Floats:
    """How much longer a dentist's n-th tooth with reciprocation takes (1 = first): 1.45 at the start, 1 in the end.

    The other sequences were known before the first day and have no such curve.
    """
    return 1 + LEARNING_AT_START * np.exp(-(np.asarray(case, dtype=float) - 1) / LEARNING_CASES)


# --- (f) tooth survival ----------------------------------------------------------------------------------------------

OTHER_LOSS_PER_YEAR = 0.014  # fracture, periodontal, caries, prosthetic ...: the same for every class
ENDODONTIC_LOSS_PER_YEAR = 0.09  # only teeth of the class "not healed"
LOSS_REASONS = {"fracture": 0.46, "periodontal": 0.18, "caries": 0.18, "prosthetic": 0.1, "other": 0.08}
LOSS_RECORDED = 0.62  # of losses; as with the teeth still there, four in ten are never heard of


def survival(years: ArrayLike, not_healed_share: float) -> Floats:
    """Share of completed teeth still present after so many years: constant hazards, two classes mixed."""
    t = np.asarray(years, dtype=float)
    kept_by_others = np.exp(-OTHER_LOSS_PER_YEAR * t)
    return kept_by_others * (1 - not_healed_share + not_healed_share * np.exp(-ENDODONTIC_LOSS_PER_YEAR * t))


# --- other habits of the practice ------------------------------------------------------------------------------------

CANAL_TIMES_MISSING = (0.10, 0.12, 0.10, 0.36)  # by dentist: the fourth seldom writes them down
UNTRACKED = 0.03  # uses without a serial number
OVER_LIMIT = 0.04  # instruments kept one to three canals beyond their limit
RUBBER_DAM = (0.97, 0.95, 0.84, 0.91)  # by dentist, where recorded
MB2_FOUND = (0.48, 0.66, 0.40, 0.72)  # by dentist, upper first molars
FLARE_UPS = 0.03  # unplanned visits for pain or swelling, per visit
OVERLAPPING_VISITS = 12  # per 2,500 treatments: checked out late, so the visit runs into the dentist's next one


# --- what is wrong in the exports ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PlantedFault:
    """A fault of the demo layout.

    `name` is unique, `kind` the record kind, `per_mille` how many rows of that kind are added with it, `says` what is
    wrong. `caught` is "record" where one record shows it (such rows belong in quarantine), "across" where only a
    comparison with other records does (such rows get a flag), "doubt" where it is only unusual, "repeat" where the same
    row or the same key stands twice; "cell" is a fault in the cells `columns` of a good row, which is kept without
    them.
    """

    name: str
    kind: str
    per_mille: float
    says: str
    caught: str
    columns: tuple[str, ...] = ()


FAULTS = (
    PlantedFault("no such day", "treatments", 3.2, "started on 31.02. of the year", "record"),
    PlantedFault("other date order", "treatments", 3.2, "started_on written as month/day/year", "record"),
    PlantedFault("no such tooth", "treatments", 2.4, "Universal number 33 or 52, or a letter beyond T", "record"),
    PlantedFault("unknown kind", "treatments", 2.4, "a word that the mapping does not know", "cell", ("kind",)),
    PlantedFault("completed before started", "treatments", 2.4, "completed_on three weeks before started_on", "record"),
    PlantedFault("no patient", "treatments", 2.4, "patient_id is empty", "record"),
    PlantedFault("same treatment twice", "treatments", 1.2, "the row repeated cell for cell", "repeat"),
    PlantedFault(
        "born after treatment", "treatments", 1.6, "birth_year after the year of treatment", "cell", ("birth_year",)
    ),
    PlantedFault("left before seated", "visits", 2.8, "left_at twenty minutes before seated_at", "record"),
    PlantedFault("negative minutes", "visits", 2.4, "booked_minutes below zero", "cell", ("booked_minutes",)),
    PlantedFault("never left", "visits", 1.6, "left_at is empty", "record"),
    PlantedFault("too many cells", "visits", 2.4, "an unquoted separator inside a remark: one cell too many", "record"),
    PlantedFault("visit without treatment", "visits", 1.2, "the case number stands in no export", "across"),
    PlantedFault("seated in the future", "visits", 1.6, "a date in 2031", "record"),
    PlantedFault("neither yes nor no", "visits", 2, "rubber dam 'vielleicht'", "cell", ("rubber_dam",)),
    PlantedFault("decimal lost", "canals", 2.4, "working length 205 for 20.5", "cell", ("working_length_mm",)),
    PlantedFault("canal without treatment", "canals", 1.0, "the treatment stands in no export", "across"),
    PlantedFault(
        "canal times outside its visits", "canals", 1.0, "started three hours after the patient left", "across"
    ),
    PlantedFault(
        "same canal, other contents", "canals", 0.8, "the key twice, curvature differs by 10 degrees", "repeat"
    ),
    PlantedFault(
        "finished before started",
        "canals",
        1.6,
        "started_at and finished_at swapped",
        "cell",
        (
            "started_at",
            "finished_at",
        ),
    ),
    PlantedFault("unknown canal", "canals", 1.6, "a canal name that the trade does not use", "doubt"),
    PlantedFault("too few cells", "canals", 1.6, "the row breaks off in the middle", "record"),
    PlantedFault("no size", "instrument_uses", 1.4, "size is empty", "cell", ("size",)),
    PlantedFault("taper in per cent", "instrument_uses", 1.4, "taper 4 for 0.04", "cell", ("taper",)),
    PlantedFault("negative seconds", "instrument_uses", 1.4, "seconds below zero", "cell", ("seconds",)),
    PlantedFault("unknown result", "instrument_uses", 1.4, "the result 'bent?'", "cell", ("result",)),
    PlantedFault("same use twice", "instrument_uses", 0.9, "the row repeated cell for cell", "repeat"),
    PlantedFault("use after retirement", "instrument_uses", 0.5, "a retired instrument in a later canal", "across"),
    PlantedFault("use without canal", "instrument_uses", 0.5, "a canal that this treatment does not have", "across"),
    PlantedFault(
        "decimal point",
        "instruments",
        0.8,
        "price written with a point in a file with decimal commas",
        "cell",
        ("price",),
    ),
    PlantedFault("size beyond the series", "instruments", 1.6, "size 400", "cell", ("size",)),
    PlantedFault(
        "retired before received",
        "instruments",
        1.6,
        "retired_on a year before received_on",
        "cell",
        (
            "received_on",
            "retired_on",
        ),
    ),
    PlantedFault("unknown third", "incidents", 12, "canal_third 'upper half'", "cell", ("canal_third",)),
    PlantedFault("no time", "incidents", 12, "occurred_at is no time", "record"),
    PlantedFault("PAI 7", "follow_ups", 5, "the index ends at 5", "cell", ("pai",)),
    PlantedFault(
        "follow-up before completion", "follow_ups", 2.5, "seen a month before the treatment was completed", "across"
    ),
    PlantedFault("no such day at recall", "follow_ups", 5, "text in a date cell: 31.02. of the year", "record"),
    PlantedFault("tooth neither there nor gone", "follow_ups", 3, "tooth_present is empty", "record"),
    PlantedFault("pain beyond the scale", "contacts", 2, "pain score 11", "cell", ("pain_score",)),
    PlantedFault("contact in the future", "contacts", 2, "a date in 2031", "record"),
)


# --- teeth -----------------------------------------------------------------------------------------------------------


def to_universal(fdi: ArrayLike) -> NDArray[np.str_]:
    """FDI two-digit codes (ISO 3950) -> Universal numbers 1-32 and letters A-T, as text.

    1 is the upper right third molar, 16 the upper left one, 17 the lower left, 32 the lower right; A-T likewise.
    """
    codes = np.asarray(fdi, dtype=int)
    quadrant, position = codes // 10, codes % 10
    permanent = np.select(
        [quadrant == 1, quadrant == 2, quadrant == 3, quadrant == 4],
        [9 - position, 8 + position, 25 - position, 24 + position],
    )
    primary = np.select(
        [quadrant == 5, quadrant == 6, quadrant == 7, quadrant == 8],
        [5 - position, 4 + position, 15 - position, 14 + position],
    )
    letters = np.array(list("ABCDEFGHIJKLMNOPQRST"))
    return np.where(quadrant <= 4, permanent.astype(str), letters[np.clip(primary, 0, 19)])
