"""How the invented practice works, as it was put in: its steps, settings, rubber dam, canals found and indications.

What the program counts is counted here once more, in Polars, on the written truth; a few canals are refused on import
or added by planted faults, hence the small differences that are allowed.
"""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from demo_data import truth
from demo_data.catalogue import catalogue

Demo = Any  # of conftest.py
Row = dict[str, Any]
FAULTY = 12  # canals refused or added, at most


def by(rows: list[Row], group: str) -> dict[Any, Row]:
    return {row[group]: row for row in rows}


@pytest.fixture(scope="module")
def adherence(demo: Demo) -> dict[str, Row]:
    return by(demo.program.measure("adherence", "check", demo.sure), "check")


@pytest.fixture(scope="module")
def worked(demo: Demo) -> pl.DataFrame:
    """Canals of the truth that were instrumented with a sequence written down."""
    canals: pl.DataFrame = demo.truth.canals
    return canals.filter(~pl.col("_untouched") & pl.col("sequence").is_not_null())


@pytest.fixture(scope="module")
def uses(demo: Demo, worked: pl.DataFrame) -> pl.DataFrame:
    """Their uses, with what the catalogue asks of the step."""
    asked = catalogue().select(_used_sequence="sequence", catalogue_step="catalogue_step", _most_torque="torque_ncm")
    known = demo.truth.records["canals"].select("treatment_id", "canal", "working_length_mm")
    canals = worked.select("treatment_id", "canal").join(known, on=["treatment_id", "canal"])
    found: pl.DataFrame = demo.truth.uses.filter("_done").join(canals, on=["treatment_id", "canal"])
    return found.join(asked, on=["_used_sequence", "catalogue_step"])


def kept(uses: pl.DataFrame, check: str) -> pl.DataFrame:
    """Canals with at least one use for which it is recorded, and whether all those that are keep to it."""
    keeps = {
        "speed": pl.col("speed_rpm").is_between("slowest", "fastest"),
        "torque": pl.col("torque_ncm") <= pl.col("_most_torque"),
        "irrigation": pl.col("irrigant_ml") >= pl.col("irrigant_asked"),
        "depth of steps": pl.col("depth_mm") <= pl.col("depth_share") * pl.col("working_length_mm") + 0.5 + 1e-9,
    }
    judged = uses.with_columns(kept=keeps[check]).drop_nulls("kept")
    return judged.group_by("treatment_id", "canal").agg(pl.col("kept").all())


@pytest.mark.parametrize("check", ["speed", "torque", "irrigation", "depth of steps"])
def test_checks_of_uses(adherence: dict[str, Row], uses: pl.DataFrame, check: str) -> None:
    expected, row = kept(uses, check), adherence[check]
    assert abs(row["n"] - expected.height) <= FAULTY
    assert abs(row["events"] - expected["kept"].sum()) <= FAULTY
    assert 0.75 < row["estimate"] < 0.95, "each was planted to go wrong at times"


def test_steps_left_out_and_exchanged_are_found(adherence: dict[str, Row], uses: pl.DataFrame) -> None:
    # What a use lacks of size and taper is known by its instrument.
    orders = uses.sort("step").group_by("treatment_id", "canal").agg("catalogue_step")["catalogue_step"].to_list()
    in_order = sum(order == list(range(1, len(order) + 1)) for order in orders)
    row = adherence["order of steps"]
    assert abs(row["n"] - len(orders)) <= FAULTY
    assert abs(row["events"] - in_order) <= FAULTY
    # 3 in 100 leave a step out, 2 in 100 exchange two; what separated before could no longer go wrong.
    assert row["low"] <= 0.97 * 0.98 <= row["high"]


@pytest.mark.parametrize(
    ("check", "planted"),
    # Of glide paths 6 in 100 are made too small, of lengths 4 of 93 recorded are not confirmed, 28 in 100 canals are
    # not gauged, 7 in 100 end in another size.
    [("glide path", 0.94), ("length confirmed", 1 - 0.04 / 0.93), ("apical gauging", 0.72), ("final size", 0.93)],
)
def test_checks_of_canals_lie_where_they_were_planted(adherence: dict[str, Row], check: str, planted: float) -> None:
    row = adherence[check]
    assert row["n"] > 4000
    assert row["low"] <= planted <= row["high"]


def test_rubber_dam_by_dentist(demo: Demo) -> None:
    rows = by(demo.program.measure("rubber_dam_share", "dentist", demo.sure), "dentist")
    for dentist, planted in zip(("D1", "D2", "D3", "D4"), truth.RUBBER_DAM, strict=True):
        assert rows[dentist]["low"] <= planted <= rows[dentist]["high"], dentist
        assert rows[dentist]["not_recorded"] > 0
    assert rows["D3"]["high"] < rows["D1"]["low"]


def test_second_mesiobuccal_canals_by_dentist(demo: Demo) -> None:
    rows = by(demo.program.measure("second_mesiobuccal_found", "dentist", demo.sure), "dentist")
    for dentist, planted in zip(("D1", "D2", "D3", "D4"), truth.MB2_FOUND, strict=True):
        assert rows[dentist]["low"] <= planted <= rows[dentist]["high"], dentist


def test_fillings_of_every_canal(demo: Demo) -> None:
    (row,) = demo.program.measure("filling_quality")
    canals = demo.truth.records["canals"].filter(pl.col("not_treated").is_null())
    both = canals.drop_nulls(["filling_extent_mm", "filling_voids"])
    good = both.filter(pl.col("filling_extent_mm").is_between(-2, 0) & ~pl.col("filling_voids"))
    assert abs(row["n"] - both.height) <= FAULTY
    assert abs(row["events"] - good.height) <= FAULTY
    assert row["n"] == row["events"] + row["short"] + row["beyond"] + row["voids"]


LARGEST = {"hand-six": 60, "rotation-five": 40, "rotation-three": 30, "reciprocation-two": 45}
BINDING = {"hand-six": (6, 35), "rotation-five": (10, 35), "rotation-three": (10, 40), "reciprocation-two": (8, 30)}


def test_canals_outside_the_indication_of_each_sequence(demo: Demo, worked: pl.DataFrame) -> None:
    rows = by(demo.program.measure("indication", "sequence"), "sequence")
    assert set(rows) == set(truth.SEQUENCES)
    for sequence, row in rows.items():
        canals = worked.filter(pl.col("sequence") == sequence)
        smallest, largest = BINDING[sequence]
        too_curved = (pl.col("curvature_deg") > LARGEST[sequence]).fill_null(False)
        other_width = (~pl.col("first_binding_size").is_between(smallest, largest)).fill_null(False)
        outside = canals.filter(too_curved | other_width).height
        known = canals.drop_nulls(["curvature_deg", "first_binding_size"]).filter(~too_curved & ~other_width).height
        assert abs(row["events"] - known) <= FAULTY, sequence
        assert abs(row["n"] - row["events"] - outside) <= FAULTY, sequence
        assert abs(row["not_recorded"] - (canals.height - outside - known)) <= FAULTY, sequence
