"""Instruments per canal and tooth by size and motion: parts of one mean, every canal or tooth in each of them."""

from __future__ import annotations

import pytest

from pipeline.measures.catalogue import Example, find
from pipeline.measures.examples import run

TREATMENTS = """
    treatment_id | patient_id | tooth | dentist | kind    | started_on | status
    T1           | A          | 16    | D1      | primary | 2026-03-02 | completed
    T2           | B          | 17    | D2      | primary | 2026-03-02 | completed
    T3           | C          | 21    | D2      | primary | 2026-03-02 | completed
"""
CANALS = """
    treatment_id | canal
    T1           | MB
    T1           | P
    T2           | P
    T3           | S
"""
# I1 goes through both canals of T1; I4 is written down once as size 25 and once as size 30.
USES = """
    use_id | treatment_id | canal | step | instrument_id | size | taper | motion        | result
    U1     | T1           | MB    | 1    |               | 15   | 0.02  | hand          | intact
    U2     | T1           | MB    | 2    | I1            | 25   | 0.06  | rotation      | intact
    U3     | T1           | P     | 1    | I1            | 25   | 0.06  | rotation      | intact
    U4     | T2           | P     | 1    | I2            | 25   | 0.06  | rotation      | intact
    U5     | T2           | P     | 2    | I3            | 25   | 0.06  | rotation      | intact
    U6     | T2           | P     | 3    | I4            | 25   | 0.06  | reciprocation | intact
    U7     | T2           | P     | 4    | I4            | 30   | 0.06  | reciprocation | intact
"""


def computed(name: str, *by: str):  # type: ignore[no-untyped-def]
    given = {"treatments": TREATMENTS, "canals": CANALS, "instrument_uses": USES}
    return run(find(name), Example(says="", given=given, expect="", by=by))


def means(name: str, *by: str) -> dict[tuple[object, ...], tuple[int, float]]:
    return {tuple(row[g] for g in by): (row["n"], row["estimate"]) for row in computed(name, *by).rows}


def test_per_tooth_by_motion_every_tooth_counts_in_every_motion() -> None:
    # T1: hand 1, rotation 1 (I1 in two canals); T2: rotation 2, reciprocation 1. T3 has no use.
    assert means("instruments_per_tooth", "motion") == {
        ("hand",): (2, 0.5),
        ("reciprocation",): (2, 0.5),
        ("rotation",): (2, 1.5),
    }
    assert means("instruments_per_tooth") == {(): (2, 2.5)}


def test_per_canal_by_size_an_instrument_of_two_sizes_counts_in_both_but_once_in_all() -> None:
    # Canals with a use: T1 MB (15; 25), T1 P (25), T2 P (25 three times; 30, which is I4 again).
    by_size = means("instruments_per_canal", "size")
    assert {size: n for (size,), (n, _) in by_size.items()} == {15: 3, 25: 3, 30: 3}
    assert [mean * 3 for _, mean in by_size.values()] == pytest.approx([1, 5, 1])
    assert means("instruments_per_canal")[()] == (3, pytest.approx(6 / 3))


def test_a_group_that_used_none_of_a_motion_has_a_row_with_0() -> None:
    found = means("instruments_per_canal", "dentist", "motion")
    assert found["D1", "reciprocation"] == (2, 0)
    assert found["D2", "hand"] == (1, 0)
    assert found["D2", "rotation"] == (1, 2)


@pytest.mark.parametrize("by", [(), ("motion",), ("size", "motion")])
def test_left_out_counts_canals_not_their_instruments(by: tuple[str, ...]) -> None:
    assert computed("instruments_per_canal", *by).left_out == [{"reason": "no instrument use recorded", "n": 1}]
