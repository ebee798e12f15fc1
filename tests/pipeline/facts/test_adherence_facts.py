"""Checks of a canal: met, not met, not recorded; each limit from both sides.

Facts of the trade are marked: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Facts = Callable[..., list[dict[str, Any]]]
Row = dict[str, Any]

STEPS: list[Row] = [
    {"step": 1, "size": 10, "taper": 0.02, "motion": "hand", "depth_share": 1.0},
    {"step": 2, "size": 30, "taper": 0.06, "motion": "rotation", "depth_share": 0.5},
    {"step": 3, "size": 15, "taper": 0.035, "motion": "rotation", "depth_share": 1.0},
    {"step": 4, "size": 25, "taper": 0.04, "motion": "rotation", "depth_share": 1.0},
]
LIMITS = {"speed_rpm": (250, 300), "torque_ncm": 1.5}
SEQUENCE: Row = {
    "id": "A",
    "glide_path_size": 15,
    "irrigant_ml": 1.5,
    "length_confirmed_before_step": 3,
    "apical_gauging": True,
    "step": [step | (LIMITS if step["motion"] != "hand" else {}) for step in STEPS],
}
TREATMENT: Row = {"treatment_id": "T1", "patient_id": "A", "tooth": 16, "dentist": "D1", "kind": "primary"}


def use(number: int, **changed: Any) -> Row:
    """The `number`-th use of a canal that follows the catalogue."""
    step = STEPS[number - 1]
    sound = {
        "use_id": f"U{number}",
        "treatment_id": "T1",
        "canal": "MB",
        "step": number,
        **{name: step[name] for name in ("size", "taper", "motion")},
        "speed_rpm": None if step["motion"] == "hand" else 280,
        "torque_ncm": None if step["motion"] == "hand" else 1.5,
        "depth_mm": step["depth_share"] * 20,
        "irrigant_ml": 2,
        "result": "intact",
    }
    return sound | changed


def checked(facts: Facts, uses: list[Row], sequence: str | None = "A", **canal: Any) -> dict[str, Row]:
    sound = {"treatment_id": "T1", "canal": "MB", "sequence": sequence, "working_length_mm": 20} | canal
    # Another canal of the practice, so that gauging is something it records.
    other = dict.fromkeys(sound) | {"treatment_id": "T1", "canal": "P", "apical_gauge_size": 30}
    sound = dict.fromkeys(other) | sound
    rows = facts(
        "adherence_facts",
        settings={"sequence": [SEQUENCE]},
        treatments=[TREATMENT],
        canals=[sound, other],
        instrument_uses=uses,
    )
    return {row["check_name"]: row for row in rows if row["canal"] == "MB"}


def judged(facts: Facts, check: str, *cases: tuple[list[Row], Row], sequence: str | None = "A") -> list[int | None]:
    """What a check says of each case, a canal each: its uses, and what its record holds."""
    names = ["glide_path_size", "length_confirmed", "final_size", "apical_gauge_size"]
    sound = {"sequence": sequence, "working_length_mm": 20}
    canals = [
        {"treatment_id": "T1", "canal": str(n)} | sound | dict.fromkeys(names) | canal
        for n, (_, canal) in enumerate(cases)
    ]
    # Another canal of the practice, so that gauging is something it records.
    canals.append(canals[0] | {"canal": "other", "apical_gauge_size": 30})
    uses = [
        each | {"canal": str(n), "use_id": f"{n} {each['use_id']}"}
        for n, (uses, _) in enumerate(cases)
        for each in uses
    ]
    rows = facts(
        "adherence_facts",
        settings={"sequence": [SEQUENCE]},
        treatments=[TREATMENT],
        canals=canals,
        instrument_uses=uses,
    )
    met = {row["canal"]: row["met"] for row in rows if row["check_name"] == check}
    return [met[str(n)] for n in range(len(cases))]


ALL = [use(n) for n in (1, 2, 3, 4)]


def test_what_a_canal_is_held_against_and_what_it_keeps(facts: Facts) -> None:
    kept = {"glide_path_size": 15, "length_confirmed": "both", "apical_gauge_size": 30, "final_size": 25}
    rows = checked(facts, ALL, **kept)
    assert {name: row["met"] for name, row in rows.items()} == dict.fromkeys(
        [
            "glide path",
            "order of steps",
            "depth of steps",
            "speed",
            "torque",
            "irrigation",
            "length confirmed",
            "apical gauging",
            "final size",
        ],
        1,
    )
    assert {row["partly_recorded"] for row in rows.values()} == {0}


def test_nothing_recorded_is_neither_met_nor_not_met(facts: Facts) -> None:
    rows = checked(facts, [])
    assert {name: row["met"] for name, row in rows.items()} == {
        "glide path": None,
        "order of steps": None,
        "depth of steps": None,
        "speed": None,
        "torque": None,
        "irrigation": None,
        "length confirmed": None,
        "apical gauging": 0,  # the record itself is what is asked for, and the practice does record it elsewhere
        "final size": None,
    }


def test_gauging_that_no_canal_of_the_practice_records_is_not_recorded(facts: Facts) -> None:
    rows = facts(
        "adherence_facts",
        settings={"sequence": [SEQUENCE]},
        treatments=[TREATMENT],
        canals=[{"treatment_id": "T1", "canal": "MB", "sequence": "A"}],
    )
    assert {row["check_name"]: row["met"] for row in rows}["apical gauging"] is None


def test_a_canal_that_was_not_instrumented_is_not_checked(facts: Facts) -> None:
    assert checked(facts, [], not_treated="calcified") == {}


def test_glide_path(facts: Facts) -> None:
    sizes = {10: 0, 15: 1, 20: 1, None: None}
    assert judged(facts, "glide path", *((ALL, {"glide_path_size": size}) for size in sizes)) == [*sizes.values()]


def reordered(*numbers: int) -> list[Row]:
    return [use(n, step=place, use_id=f"U{place}") for place, n in enumerate(numbers, start=1)]


ORDERS: list[tuple[str, list[Row], int]] = [
    ("as planned", reordered(1, 2, 3, 4), 1),
    ("stopped early: what was done is in order", reordered(1, 2, 3), 1),
    ("a step left out before a later one", reordered(1, 2, 4), 0),
    ("the first step left out", reordered(2, 3, 4), 0),
    ("two steps exchanged", reordered(1, 3, 2, 4), 0),
    ("the small hand instrument again in between", reordered(1, 2, 1, 3, 1, 4), 1),
    ("an earlier instrument again at the end", reordered(1, 2, 3, 4, 3), 1),
    ("a hand instrument that is no step", [*ALL, use(4, use_id="U5", step=5, size=8, motion="hand")], 1),
    ("an engine-driven instrument that is no step", [*ALL, use(4, use_id="U5", step=5, size=40)], 0),
    ("backwards", [use(4, step=1), use(3, step=2), use(2, step=3), use(1, step=4)], 0),
]


def test_order_of_steps(facts: Facts) -> None:
    found = judged(facts, "order of steps", *((uses, {}) for _, uses, _ in ORDERS))
    assert dict(zip((why for why, *_ in ORDERS), found, strict=True)) == {why: met for why, _, met in ORDERS}


def test_the_same_instrument_in_two_steps_is_told_apart_by_its_turn(facts: Facts) -> None:
    """Hand 10 to three-quarters, rotation, then hand 10 to length: the second time may go deeper than the first."""
    steps = [
        {"step": 1, "size": 10, "taper": 0.02, "motion": "hand", "depth_share": 0.75},
        {"step": 2, "size": 30, "taper": 0.06, "motion": "rotation"},
        {"step": 3, "size": 10, "taper": 0.02, "motion": "hand", "depth_share": 1.0},
    ]

    def checks(first: float, second: float) -> Row:
        rows = facts(
            "adherence_facts",
            settings={"sequence": [{"id": "A", "step": steps}]},
            treatments=[TREATMENT],
            canals=[{"treatment_id": "T1", "canal": "MB", "sequence": "A", "working_length_mm": 20}],
            instrument_uses=[
                use(1, depth_mm=first),
                use(2),
                use(1, use_id="U3", step=3, depth_mm=second),
            ],
        )
        return {row["check_name"]: row["met"] for row in rows}

    assert checks(15, 20) == {"order of steps": 1, "depth of steps": 1, "final size": None}
    assert checks(20, 15)["depth of steps"] == 0


def test_depth(facts: Facts) -> None:
    """Half of 20 mm, and half a millimetre for reading the stop (common practice, no source)."""
    depths = {10: 1, 10.5: 1, 10.6: 0, None: None}
    cases = (([use(2, depth_mm=depth)], {}) for depth in depths)
    assert judged(facts, "depth of steps", *cases) == [*depths.values()]
    assert judged(facts, "depth of steps", (ALL, {"working_length_mm": None})) == [None]


def test_speed(facts: Facts) -> None:
    speeds = {249: 0, 250: 1, 300: 1, 301: 0, None: None}
    cases = (([use(2, speed_rpm=speed)], {}) for speed in speeds)
    assert judged(facts, "speed", *cases) == [*speeds.values()]


def test_torque(facts: Facts) -> None:
    torques = {0.5: 1, 1.5: 1, 1.6: 0, None: None}
    cases = (([use(2, torque_ncm=torque)], {}) for torque in torques)
    assert judged(facts, "torque", *cases) == [*torques.values()]


def test_irrigation_after_every_instrument(facts: Facts) -> None:
    irrigants = {0: 0, 1.4: 0, 1.5: 1, 5: 1, None: None}
    cases = (([use(1, irrigant_ml=irrigant)], {}) for irrigant in irrigants)
    assert judged(facts, "irrigation", *cases) == [*irrigants.values()]


def test_one_use_of_several_decides_and_a_blank_does_not(facts: Facts) -> None:
    one_fast = checked(facts, [use(1), use(2, speed_rpm=320), use(3), use(4, speed_rpm=None)])["speed"]
    assert (one_fast["met"], one_fast["partly_recorded"]) == (0, 1)
    one_blank = checked(facts, [use(1), use(2), use(3), use(4, speed_rpm=None)])["speed"]
    assert (one_blank["met"], one_blank["partly_recorded"]) == (1, 1)


def test_length_confirmed(facts: Facts) -> None:
    how = {"none": 0, "apex locator": 1, "radiograph": 1, "both": 1, None: None}
    cases = ((ALL, {"length_confirmed": way}) for way in how)
    assert judged(facts, "length confirmed", *cases) == [*how.values()]


def test_final_size(facts: Facts) -> None:
    sizes = {20: 0, 25: 1, 30: 0, None: None}
    assert judged(facts, "final size", *((ALL, {"final_size": size}) for size in sizes)) == [*sizes.values()]


def test_only_what_the_catalogue_asks_for_is_checked(facts: Facts) -> None:
    rows = facts(
        "adherence_facts",
        settings={"sequence": [{"id": "A"}]},
        treatments=[TREATMENT],
        canals=[{"treatment_id": "T1", "canal": "MB", "sequence": "A"}],
        instrument_uses=ALL,
    )
    assert rows == []
    hand = [{"step": 1, "size": 25, "taper": 0.02, "motion": "hand"}]
    rows = facts(
        "adherence_facts",
        settings={"sequence": [{"id": "A", "glide_path_size": 15, "step": hand}]},
        treatments=[TREATMENT],
        canals=[{"treatment_id": "T1", "canal": "MB", "sequence": "A", "glide_path_size": 10}],
    )
    # No engine-driven step, so there is nothing that the path must come before.
    assert {row["check_name"] for row in rows} == {"order of steps", "final size"}


# --- where the catalogue has no such sequence ------------------------------------------------------------------------


@pytest.mark.parametrize("sequence", [None, "of another practice"])
def test_a_canal_whose_sequence_is_not_in_the_catalogue_is_held_against_nothing(
    facts: Facts, sequence: str | None
) -> None:
    rows = checked(facts, ALL, sequence)
    assert [(row["check_name"], row["met"], row["sequence"]) for row in rows.values()] == [(None, None, sequence)]
