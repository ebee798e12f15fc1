"""Teeth: what they are called, how hard a case is, how a treatment ended, and who came back in time."""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Callable
from itertools import product
from typing import Any

import pytest

Facts = Callable[..., list[dict[str, Any]]]

# ISO 3950 (FDI): positions from the midline outwards, per arch.
PERMANENT = {"incisor": "12", "canine": "3", "premolar": "45", "molar": "678"}
PRIMARY = {"incisor": "12", "canine": "3", "molar": "45"}
GROUP = {"incisor": "anterior", "canine": "anterior", "premolar": "premolar", "molar": "molar"}
CODES = [
    (int(quadrant + position), type_, "upper" if quadrant in "1256" else "lower")
    for quadrants, types in (("1234", PERMANENT), ("5678", PRIMARY))
    for quadrant in quadrants
    for type_, positions in types.items()
    for position in positions
]


def test_there_are_52_codes() -> None:
    assert len({code for code, *_ in CODES}) == 52


def test_every_fdi_code_has_its_type_group_and_arch(facts: Facts) -> None:
    rows = facts(
        "treatment_base",
        treatments=[{"treatment_id": str(code), "patient_id": "A", "tooth": code} for code, *_ in CODES],
    )
    found = {(row["tooth"], row["tooth_type"], row["tooth_group"], row["arch"]) for row in rows}
    assert found == {(code, type_, GROUP[type_], arch) for code, type_, arch in CODES}


@pytest.mark.parametrize(
    ("angle", "expected"),
    # Schneider 1971 with its gaps: 5 or less straight, 10-20 moderate, 25-70 severe.
    [
        (0, "straight"),
        (5, "straight"),
        (5.5, "unclassed"),
        (9.9, "unclassed"),
        (10, "moderate"),
        (15, "moderate"),
        (20, "moderate"),
        (22, "unclassed"),
        (24.9, "unclassed"),
        (25, "severe"),
        (30, "severe"),
        (70, "severe"),
        (71, "unclassed"),
        (None, None),
    ],
)
def test_curvature_class(facts: Facts, angle: float | None, expected: str | None) -> None:
    (row,) = facts("canal_base", canals=[{"treatment_id": "T1", "canal": "S", "curvature_deg": angle}])
    assert row["curvature_class"] == expected


def test_a_tooth_is_as_curved_as_its_most_curved_canal_and_mixed_where_sequences_differ(facts: Facts) -> None:
    rows = facts(
        "treatment_base",
        treatments="""
            treatment_id | patient_id | tooth
            T1           | A          | 16
            T2           | B          | 14
            T3           | C          | 11
            T4           | D          | 12
        """,
        canals="""
            treatment_id | canal | sequence | curvature_deg | not_treated
            T1           | MB    | A        | 30            |
            T1           | DB    | A        | 4             |
            T1           | MB2   | C        | 60            | calcified
            T2           | B     | A        | 22            |
            T2           | P     | B        | 15            |
            T3           | S     |          |               |
        """,
    )
    found = {r["treatment_id"]: (r["sequence"], r["curvature_class"], r["canals_instrumented"]) for r in rows}
    assert found == {
        "T1": ("A", "severe", 2),
        "T2": ("mixed", "unclassed", 2),
        "T3": (None, None, 1),
        "T4": (None, None, 0),
    }


@pytest.mark.parametrize(
    ("pai", "mm", "lesion"),
    # PAI dichotomy (Orstavik 1986): 1-2 absent, 3-5 present.
    [
        (1, None, "no"),
        (2, None, "no"),
        (3, None, "yes"),
        (5, None, "yes"),
        (None, 0, "no"),
        (None, 2.5, "yes"),
        (2, 3, "yes"),
        (4, 0, "yes"),
        (None, None, None),
    ],
)
def test_lesion_before_treatment(facts: Facts, pai: int | None, mm: float | None, lesion: str | None) -> None:
    treatment = {"treatment_id": "T1", "patient_id": "A", "tooth": 16, "preop_pai": pai, "lesion_mm": mm}
    (row,) = facts("treatment_base", treatments=[treatment])
    assert row["lesion"] == lesion


# --- outcomes --------------------------------------------------------------------------------------------------------

SIGNS = ("pain", "tenderness", "swelling", "sinus_tract")
LOSSES = (None, "endodontic", "fracture", "periodontal", "reason not recorded")


def outcome(image: str | None, pai: int | None, before: int | None, signs: str | None, lost: str | None) -> str:
    """The class of a treatment that is due and was seen late enough: the definition, told once more in plain words."""
    if lost is not None:
        if lost == "endodontic":
            return "not healed"
        return "lost, reason not recorded" if lost == "reason not recorded" else "lost for another reason"
    if signs == "present":
        return "not healed"
    undetermined = signs is None or image in (None, "none") or pai is None
    if undetermined:
        return "undetermined"
    assert pai is not None
    if pai <= 2:
        return "healed"
    if before is None or image == "cbct":  # nothing to compare with: PAI before treatment was read on film
        return "undetermined"
    if pai == before:  # after 13 months: open until four years after completion
        return "uncertain"
    return "healing" if pai < before else "not healed"


def test_outcome_classes_over_the_whole_grid(facts: Facts) -> None:
    """Every combination of image, PAI, PAI before, signs and loss: 1,800 teeth."""
    grid = list(
        product(
            (None, "none", "periapical", "cbct"),
            (None, 1, 2, 3, 4, 5),
            (None, 1, 2, 3, 5),
            ("present", "absent", None),
            LOSSES,
        )
    )
    treatments, follow_ups = [], []
    for number, (image, pai, before, signs, lost) in enumerate(grid):
        treatments.append(
            {
                "treatment_id": f"T{number}",
                "patient_id": f"P{number}",
                "tooth": 16,
                "preop_pai": before,
                "started_on": dt.date(2024, 1, 5),
                "completed_on": dt.date(2024, 1, 5),
                "status": "completed",
            }
        )
        recorded = dict.fromkeys(SIGNS, None if signs is None else False)
        if signs == "present":
            recorded[SIGNS[number % 4]] = True
        follow_ups.append(
            {
                "follow_up_id": f"F{number}",
                "treatment_id": f"T{number}",
                "seen_on": dt.date(2025, 2, 5),
                "image": image,
                "pai": pai,
                **recorded,
                "tooth_present": lost is None,
                "lost_on": None if lost is None else dt.date(2025, 2, 1),
                "lost_reason": None if lost == "reason not recorded" else lost,
            }
        )
    rows = facts("tooth_facts", treatments=treatments, follow_ups=follow_ups)
    assert len(rows) == len(grid) == 1800
    found = {int(row["treatment_id"][1:]): row for row in rows}
    for number, case in enumerate(grid):
        image, _, _, _, lost = case
        assert found[number]["outcome_class"] == outcome(*case), case
        assert found[number]["assessed_on"] == ("cbct" if image == "cbct" and lost is None else "periapical"), case


def test_one_sign_recorded_absent_is_enough_and_one_present_decides(facts: Facts) -> None:
    rows = facts(
        "tooth_facts",
        treatments="""
            treatment_id | patient_id | tooth | completed_on | status
            T1           | A          | 16    | 2024-01-05   | completed
            T2           | B          | 16    | 2024-01-05   | completed
            T3           | C          | 16    | 2024-01-05   | completed
        """,
        follow_ups="""
            follow_up_id | treatment_id | seen_on    | image      | pai | pain  | sinus_tract | tooth_present
            F1           | T1           | 2025-01-05 | periapical | 1   | false |             | true
            F2           | T2           | 2025-01-05 | periapical | 1   | false | true        | true
            F3           | T3           | 2025-01-05 | periapical | 1   |       |             | true
        """,
    )
    found = {row["treatment_id"]: row["outcome_class"] for row in rows}
    assert found == {"T1": "healed", "T2": "not healed", "T3": "undetermined"}


def test_the_latest_late_enough_follow_up_tells_the_outcome(facts: Facts) -> None:
    rows = facts(
        "tooth_facts",
        treatments="""
            treatment_id | patient_id | tooth | preop_pai | completed_on | status
            T1           | A          | 16    | 4         | 2024-01-05   | completed
            T2           | B          | 16    | 4         | 2024-01-05   | completed
        """,
        follow_ups="""
            follow_up_id | treatment_id | seen_on    | image      | pai | pain  | tooth_present
            F1           | T1           | 2025-01-05 | periapical | 3   | false | true
            F2           | T1           | 2026-01-05 | periapical | 2   | false | true
            F3           | T2           | 2025-01-05 | periapical | 2   | false | true
            F4           | T2           | 2025-06-05 | periapical | 5   | false | true
        """,
    )
    found = {row["treatment_id"]: (row["outcome_class"], row["outcome_seen_on"]) for row in rows}
    assert found == {"T1": ("healed", dt.date(2026, 1, 5)), "T2": ("not healed", dt.date(2025, 6, 5))}


def test_what_is_known_on_a_date_leaves_later_follow_ups_out(facts: Facts) -> None:
    given = {
        "treatments": """
            treatment_id | patient_id | tooth | preop_pai | completed_on | status
            T1           | A          | 16    | 4         | 2024-01-05   | completed
        """,
        "follow_ups": """
            follow_up_id | treatment_id | seen_on    | image      | pai | pain  | tooth_present | lost_reason
            F1           | T1           | 2025-01-05 | periapical | 2   | false | true          |
            F2           | T1           | 2025-06-05 |            |     |       | false         | fracture
        """,
    }
    (before,) = facts("tooth_facts", as_of=dt.date(2025, 6, 4), **given)
    (after,) = facts("tooth_facts", as_of=dt.date(2025, 6, 5), **given)
    assert (before["outcome_class"], before["lost"]) == ("healed", False)
    assert (after["outcome_class"], after["lost"]) == ("lost for another reason", True)


@pytest.mark.parametrize(
    ("status", "completed_on", "expected"),
    [
        ("in progress", None, "not completed"),
        ("abandoned", None, "not completed"),
        ("referred", dt.date(2024, 1, 5), "not completed"),
        ("completed", None, "not completed"),
        ("completed", dt.date(2024, 1, 5), "not seen"),
        ("completed", dt.date(2025, 7, 1), "not due"),
        ("completed", dt.date(2025, 6, 30), "not seen"),
        ("completed", dt.date(2026, 7, 1), "not completed"),
    ],
)
def test_treatments_without_a_follow_up(facts: Facts, status: str, completed_on: dt.date | None, expected: str) -> None:
    """On 30 June 2026 what was completed on 30 June 2025 has just become due."""
    treatment = {
        "treatment_id": "T1",
        "patient_id": "A",
        "tooth": 16,
        "status": status,
        "completed_on": completed_on,
    }
    (row,) = facts("tooth_facts", treatments=[treatment])
    assert row["outcome_class"] == expected


@pytest.mark.parametrize(("days", "expected"), [(-1, "uncertain"), (0, "not healed"), (1, "not healed")])
@pytest.mark.parametrize("completed_on", [dt.date(2020, 2, 29), dt.date(2021, 5, 31)], ids=str)
def test_an_unchanged_lesion_is_uncertain_until_four_years(
    facts: Facts, completed_on: dt.date, days: int, expected: str
) -> None:
    """European Society of Endodontology 2006, Int Endod J 39:921; a PAI lower, or higher, needs no four years."""
    treatments, follow_ups = [], []
    for pai in (3, 4, 5):
        tooth = {"treatment_id": f"T{pai}", "patient_id": f"P{pai}", "tooth": 16, "preop_pai": 4}
        treatments.append(tooth | {"completed_on": completed_on, "status": "completed"})
        seen = {"follow_up_id": f"F{pai}", "treatment_id": f"T{pai}", "image": "periapical", "pai": pai, "pain": False}
        follow_ups.append(seen | {"seen_on": months_later(completed_on, 48) + days * ONE_DAY, "tooth_present": True})
    rows = facts("tooth_facts", treatments=treatments, follow_ups=follow_ups)
    found = {row["treatment_id"]: row["outcome_class"] for row in rows}
    assert found == {"T3": "healing", "T4": expected, "T5": "not healed"}


def test_a_later_intervention_decides_and_what_came_first_is_the_outcome(facts: Facts) -> None:
    rows = facts(
        "tooth_facts",
        treatments="""
            treatment_id | patient_id | tooth | kind        | preop_pai | started_on | completed_on | status
            healed       | A          | 16    | primary     | 4         | 2024-01-05 | 2024-01-05   | completed
            operated     | B          | 16    | primary     | 4         | 2024-01-05 | 2024-01-05   | completed
            hurting      | C          | 16    | primary     | 4         | 2024-01-05 | 2024-01-05   | completed
            C2           | C          | 16    | retreatment | 4         | 2025-01-05 |              | in progress
            unseen       | D          | 16    | primary     | 4         | 2024-01-05 | 2024-01-05   | completed
            D2           | D          | 16    | retreatment | 4         | 2024-06-05 |              | in progress
            then lost    | E          | 16    | primary     | 4         | 2024-01-05 | 2024-01-05   | completed
            lost first   | F          | 16    | primary     | 4         | 2024-01-05 | 2024-01-05   | completed
            one day      | G          | 16    | primary     | 4         | 2024-01-05 | 2024-01-05   | completed
            G2           | G          | 16    | retreatment | 4         | 2025-03-01 |              | in progress
            recent       | H          | 16    | primary     | 4         | 2025-12-05 | 2025-12-05   | completed
            H2           | H          | 16    | retreatment | 4         | 2026-01-05 |              | in progress
            on cbct      | I          | 16    | primary     | 4         | 2024-01-05 | 2024-01-05   | completed
            I2           | I          | 16    | retreatment | 4         | 2026-01-05 |              | in progress
        """,
        follow_ups="""
        follow_up_id | treatment_id | seen_on    | image      | pai | pain  | tooth_present | lost_reason | surgery_on
        F1           | healed       | 2025-06-05 | periapical | 1   | false | true          |             |
        F2           | operated     | 2025-06-05 | periapical | 1   | false | true          |             | 2024-06-05
        F3           | hurting      | 2025-02-05 | periapical | 4   | true  | true          |             |
        F5           | then lost    | 2025-03-01 | none       |     |       | false         | fracture    | 2025-02-28
        F6           | lost first   | 2025-03-01 | none       |     |       | false         | fracture    | 2025-03-02
        F7           | one day      | 2025-03-01 | none       |     |       | false         | fracture    |
        F9           | on cbct      | 2025-06-05 | cbct       | 1   | false | true          |             |
        """,
    )
    primary = [row for row in rows if row["kind"] == "primary"]
    found = {row["treatment_id"]: (row["outcome_class"], row["assessed_on"]) for row in primary}
    assert found == {
        "healed": ("healed", "periapical"),
        "operated": ("not healed", "periapical"),
        "hurting": ("not healed", "periapical"),
        "unseen": ("not healed", "periapical"),
        "then lost": ("not healed", "periapical"),
        "lost first": ("lost for another reason", "periapical"),
        "one day": ("not healed", "periapical"),  # it was still there to be retreated
        "recent": ("not due", "periapical"),
        "on cbct": ("not healed", "periapical"),  # decided without the image
    }


def test_a_primary_tooth_that_exfoliates_is_not_lost(facts: Facts) -> None:
    """Its observation ends that day. A permanent tooth does not exfoliate; a missing one without a reason is lost."""
    rows = facts(
        "tooth_facts",
        treatments="""
            treatment_id | patient_id | tooth | kind    | preop_pai | started_on | completed_on | status
            T1           | A          | 75    | primary | 1         | 2024-01-05 | 2024-01-05   | completed
            T2           | B          | 51    | primary | 1         | 2024-01-05 | 2024-01-05   | completed
            T3           | C          | 48    | primary | 1         | 2024-01-05 | 2024-01-05   | completed
            T4           | D          | 75    | primary | 1         | 2024-01-05 | 2024-01-05   | completed
            T5           | E          | 75    | primary | 1         | 2024-01-05 | 2024-01-05   | completed
        """,
        follow_ups="""
          follow_up_id | treatment_id | seen_on    | image      | pai | pain  | tooth_present | lost_on    | lost_reason
          F1           | T1           | 2025-06-05 | none       |     |       | false         | 2025-04-05 | exfoliated
          F2           | T2           | 2025-02-05 | periapical | 1   | false | true          |            |
          F3           | T2           | 2025-06-05 | none       |     |       | false         |            | exfoliated
          F4           | T3           | 2025-06-05 | none       |     |       | false         | 2025-04-05 | exfoliated
          F5           | T4           | 2025-06-05 | none       |     |       | false         | 2025-04-05 |
          F6           | T5           | 2025-06-05 | none       |     |       | false         | 2025-04-05 | other
        """,
    )
    found = {row["treatment_id"]: row for row in rows}
    gone, seen = dt.date(2025, 4, 5), dt.date(2025, 6, 5)
    what = ("outcome_class", "lost", "lost_on", "exfoliated_on", "last_seen_on", "recalled")
    assert {name: tuple(row[w] for w in what) for name, row in found.items()} == {
        "T1": ("exfoliated", False, None, gone, gone, 1),
        "T2": ("healed", False, None, seen, seen, 1),
        "T3": ("lost for another reason", True, gone, None, seen, 1),
        "T4": ("lost, reason not recorded", True, gone, None, seen, 1),
        "T5": ("lost for another reason", True, gone, None, seen, 1),
    }
    assert found["T1"]["months_followed"] == pytest.approx((gone - dt.date(2024, 1, 5)).days / 30.4375)


# --- recall ----------------------------------------------------------------------------------------------------------


def months_later(day: dt.date, months: int) -> dt.date:
    """The same day so many calendar months later; the last day of a shorter month."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


ONE_DAY = dt.timedelta(days=1)
COMPLETED = [
    dt.date(2023, 5, 31),
    dt.date(2023, 8, 31),
    dt.date(2024, 2, 29),
    dt.date(2023, 11, 30),
    dt.date(2024, 1, 5),
]


@pytest.mark.parametrize("completed_on", COMPLETED, ids=str)
@pytest.mark.parametrize(
    ("months", "days", "recalled"),
    [(9, -1, 0), (9, 0, 1), (12, 0, 1), (18, 0, 1), (18, 1, 0)],
    ids=["a day early", "first day", "a year", "last day", "a day late"],
)
def test_recall_window_to_the_day(facts: Facts, completed_on: dt.date, months: int, days: int, recalled: int) -> None:
    """9 to 18 calendar months after completion, both days included."""
    seen_on = months_later(completed_on, months) + days * ONE_DAY
    (row,) = facts(
        "tooth_facts",
        treatments=[
            {"treatment_id": "T1", "patient_id": "A", "tooth": 16, "completed_on": completed_on, "status": "completed"}
        ],
        follow_ups=[{"follow_up_id": "F1", "treatment_id": "T1", "seen_on": seen_on, "tooth_present": True}],
    )
    assert row["recalled"] == recalled


@pytest.mark.parametrize(
    ("months", "days", "recalled"),
    [(0, 1, 1), (18, 0, 1), (18, 1, 0)],
    ids=["at once", "last day of the window", "a day later"],
)
def test_a_tooth_known_to_be_lost_before_the_window_closed_counts_as_known(
    facts: Facts, months: int, days: int, recalled: int
) -> None:
    completed_on = dt.date(2024, 1, 5)
    lost_on = months_later(completed_on, months) + days * ONE_DAY
    (row,) = facts(
        "tooth_facts",
        treatments=[
            {"treatment_id": "T1", "patient_id": "A", "tooth": 16, "completed_on": completed_on, "status": "completed"}
        ],
        follow_ups=[
            {
                "follow_up_id": "F1",
                "treatment_id": "T1",
                "seen_on": dt.date(2026, 1, 5),
                "tooth_present": False,
                "lost_on": lost_on,
            }
        ],
    )
    assert row["recalled"] == recalled


@pytest.mark.parametrize(("days", "recalled"), [(-1, 1), (0, 1), (1, 0)], ids=["before", "last day", "after"])
@pytest.mark.parametrize("what", ["retreated", "operated", "exfoliated"])
def test_what_is_known_of_a_tooth_before_the_window_closed_counts_as_seen(
    facts: Facts, what: str, days: int, recalled: int
) -> None:
    day = months_later(dt.date(2024, 1, 5), 18) + days * ONE_DAY
    tooth = {"patient_id": "A", "tooth": 75, "status": "completed"}
    done = dt.date(2024, 1, 5)
    treatments = [{"treatment_id": "T1", "kind": "primary", "started_on": done, "completed_on": done} | tooth]
    seen: dict[str, Any] = {"follow_up_id": "F1", "treatment_id": "T1", "seen_on": dt.date(2026, 1, 5)}
    seen |= {"tooth_present": what != "exfoliated", "lost_on": None, "lost_reason": None, "surgery_on": None}
    if what == "retreated":
        treatments.append({"treatment_id": "R1", "kind": "retreatment", "started_on": day, "completed_on": day} | tooth)
    elif what == "operated":
        seen["surgery_on"] = day
    else:
        seen |= {"lost_on": day, "lost_reason": "exfoliated"}
    rows = facts("tooth_facts", treatments=treatments, follow_ups=[seen])
    assert {row["treatment_id"]: row["recalled"] for row in rows}["T1"] == recalled


@pytest.mark.parametrize("completed_on", COMPLETED, ids=str)
def test_due_and_outcome_from_twelve_calendar_months_on_to_the_day(facts: Facts, completed_on: dt.date) -> None:
    year = months_later(completed_on, 12)
    treatments = [
        {"treatment_id": t, "patient_id": t, "tooth": 16, "completed_on": completed_on, "status": "completed"}
        for t in ("T1", "T2")
    ]
    follow_ups = [
        {"follow_up_id": f, "treatment_id": t, "seen_on": day, "image": "periapical", "pai": 1, "pain": False}
        | {"tooth_present": True}
        for f, t, day in (("F1", "T1", year - ONE_DAY), ("F2", "T2", year))
    ]

    def known(as_of: dt.date) -> dict[str, str]:
        rows = facts("tooth_facts", as_of=as_of, treatments=treatments, follow_ups=follow_ups)
        return {row["treatment_id"]: row["outcome_class"] for row in rows}

    assert known(year - ONE_DAY) == {"T1": "not due", "T2": "not due"}
    assert known(year) == {"T1": "not seen", "T2": "healed"}


def test_the_window_is_a_setting(facts: Facts) -> None:
    given = {
        "treatments": """
            treatment_id | patient_id | tooth | completed_on | status
            T1           | A          | 16    | 2024-01-05   | completed
        """,
        "follow_ups": """
            follow_up_id | treatment_id | seen_on    | image      | pai | pain  | tooth_present
            F1           | T1           | 2024-07-05 | periapical | 1   | false | true
        """,
    }
    reporting = {"reporting": {"recall_window_months": [6, 12], "healed_after_months": 6}}
    (usual,) = facts("tooth_facts", **given)
    (earlier,) = facts("tooth_facts", settings=reporting, **given)
    assert (usual["recalled"], usual["outcome_class"]) == (0, "not seen")
    assert (earlier["recalled"], earlier["outcome_class"]) == (1, "healed")


def test_the_window_is_open_until_its_last_day(facts: Facts) -> None:
    treatment = """
        treatment_id | patient_id | tooth | completed_on | status
        T1           | A          | 16    | 2024-12-31   | completed
    """
    days = [dt.date(2026, 6, 29), dt.date(2026, 6, 30), dt.date(2026, 7, 1)]
    rows = [facts("tooth_facts", as_of=day, treatments=treatment)[0] for day in days]
    assert [row["window_open"] for row in rows] == [True, True, False]


def test_when_a_tooth_was_lost(facts: Facts) -> None:
    """On the recorded day, else on the day it was first seen missing; the first loss counts."""
    rows = facts(
        "tooth_facts",
        treatments="""
            treatment_id | patient_id | tooth | completed_on | status
            T1           | A          | 16    | 2024-01-05   | completed
            T2           | B          | 16    | 2024-01-05   | completed
            T3           | C          | 16    | 2024-01-05   | completed
        """,
        follow_ups="""
            follow_up_id | treatment_id | seen_on    | tooth_present | lost_on    | lost_reason
            F1           | T1           | 2025-02-05 | false         | 2024-12-01 | periodontal
            F2           | T2           | 2025-03-05 | false         |            |
            F3           | T2           | 2025-09-05 | false         |            | caries
            F4           | T3           | 2025-03-05 | true          |            |
        """,
    )
    found = {row["treatment_id"]: (row["lost"], row["lost_on"], row["last_seen_on"]) for row in rows}
    assert found == {
        "T1": (True, dt.date(2024, 12, 1), dt.date(2025, 2, 5)),
        "T2": (True, dt.date(2025, 3, 5), dt.date(2025, 9, 5)),
        "T3": (False, None, dt.date(2025, 3, 5)),
    }


# --- what was done to the tooth later --------------------------------------------------------------------------------

DONE_ON = dt.date(2024, 1, 5)


def intervened(facts: Facts, as_of: dt.date = dt.date(2026, 6, 30), **given: Any) -> dict[str, tuple[Any, Any]]:
    rows = facts("tooth_facts", as_of=as_of, **given)
    return {row["treatment_id"]: (row["intervened_on"], row["intervention"]) for row in rows}


@pytest.mark.parametrize(("days", "counts"), [(-1, False), (0, True), (1, True)], ids=["before", "the day", "after"])
@pytest.mark.parametrize("what", ["retreatment", "apical surgery", "extraction for an endodontic reason"])
def test_an_intervention_counts_from_the_day_of_completion_on(facts: Facts, what: str, days: int, counts: bool) -> None:
    day = DONE_ON + days * ONE_DAY
    tooth = {"patient_id": "A", "tooth": 16, "status": "completed"}
    treatments = [
        {"treatment_id": "T1", "kind": "primary", "started_on": dt.date(2024, 1, 2), "completed_on": DONE_ON} | tooth
    ]
    seen: dict[str, Any] = {"follow_up_id": "F1", "treatment_id": "T1", "seen_on": dt.date(2025, 2, 5)}
    seen |= {"tooth_present": True, "lost_on": None, "lost_reason": None, "surgery_on": None}
    if what == "retreatment":
        again = {"treatment_id": "R1", "kind": "retreatment", "started_on": day, "completed_on": day}
        treatments.append(again | tooth)
    elif what == "apical surgery":
        seen["surgery_on"] = day
    else:
        seen |= {"tooth_present": False, "lost_on": day, "lost_reason": "endodontic"}
    found = intervened(facts, treatments=treatments, follow_ups=[seen])
    assert found.pop("T1") == ((day, what) if counts else (None, None))
    assert set(found.values()) <= {(None, None)}


def test_two_treatments_of_one_day_and_the_order_of_what_came_later(facts: Facts) -> None:
    """T1 and R1 begin and end on one day: T1 is retreated that day, R1 is not. R2 and R3 are one entered twice."""
    found = intervened(
        facts,
        treatments="""
            treatment_id | patient_id | tooth | kind        | started_on | completed_on | status
            T1           | A          | 16    | primary     | 2024-01-05 | 2024-01-05   | completed
            R1           | A          | 16    | retreatment | 2024-01-05 | 2024-01-05   | completed
            R2           | B          | 16    | retreatment | 2024-01-05 | 2024-01-05   | completed
            R3           | B          | 16    | retreatment | 2024-01-05 | 2024-01-05   | completed
            R4           | C          | 16    | retreatment | 2024-01-02 | 2024-01-05   | completed
            R5           | C          | 16    | retreatment | 2024-01-05 | 2024-01-05   | completed
            T6           | D          | 16    | primary     | 2024-01-05 | 2024-01-05   | completed
            T7           | E          | 16    | primary     | 2024-01-05 | 2024-01-05   | completed
            T8           | F          | 16    | primary     | 2024-01-05 | 2024-01-05   | completed
            R8           | F          | 16    | retreatment | 2025-01-05 |              | in progress
        """,
        follow_ups="""
            follow_up_id | treatment_id | seen_on    | tooth_present | lost_on    | lost_reason | surgery_on
            F1           | T6           | 2025-01-05 | true          |            |             | 2023-12-05
            F2           | T6           | 2026-01-05 | false         | 2025-12-05 | endodontic  | 2025-06-05
            F3           | T7           | 2025-01-05 | false         | 2024-12-05 | fracture    | 2024-12-06
            F4           | T8           | 2026-01-05 | false         | 2025-01-05 | fracture    |
        """,
    )
    assert found == {
        "T1": (dt.date(2024, 1, 5), "retreatment"),
        "R1": (None, None),
        "R2": (None, None),
        "R3": (None, None),
        "R4": (dt.date(2024, 1, 5), "retreatment"),
        "R5": (None, None),
        "T6": (dt.date(2025, 6, 5), "apical surgery"),  # one before completion says nothing of this treatment
        "T7": (None, None),  # a tooth that is gone cannot be operated on
        "T8": (dt.date(2025, 1, 5), "retreatment"),
        "R8": (None, None),
    }


def test_an_intervention_is_known_from_its_day_on(facts: Facts) -> None:
    given = {
        "treatments": """
            treatment_id | patient_id | tooth | kind        | started_on | completed_on | status
            T1           | A          | 16    | primary     | 2024-01-05 | 2024-01-05   | completed
            R1           | A          | 16    | retreatment | 2025-01-05 |              | in progress
        """
    }
    assert intervened(facts, dt.date(2025, 1, 4), **given)["T1"] == (None, None)
    assert intervened(facts, dt.date(2025, 1, 5), **given)["T1"] == (dt.date(2025, 1, 5), "retreatment")


def test_visits_and_separations_of_a_tooth(facts: Facts) -> None:
    """A separation without a canal counts for the tooth; two treatments in one visit are a visit of each."""
    rows = facts(
        "tooth_facts",
        treatments="""
            treatment_id | patient_id | tooth
            T1           | A          | 16
            T2           | A          | 11
        """,
        visits="""
            visit_id | treatment_id | seated_at           | left_at
            V1       | T1           | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
            V1       | T2           | 2026-03-02 09:00:00 | 2026-03-02 10:00:00
            V2       | T1           | 2026-03-09 09:00:00 | 2026-03-09 10:00:00
        """,
        incidents="""
            incident_id | treatment_id | kind       | occurred_at
            X1          | T1           | separation | 2026-03-02 09:30:00
        """,
    )
    found = {row["treatment_id"]: (row["visits"], row["separations"]) for row in rows}
    assert found == {"T1": (2, 1), "T2": (1, 0)}
