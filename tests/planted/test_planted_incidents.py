"""Incidents of the invented practice: kinds, lots, gaps, hazards and factors come out as the written truth has them."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from scipy import stats

from demo_data import truth

Demo = Any  # of conftest.py
Row = dict[str, Any]


def test_incidents_of_each_kind_are_as_frequent_as_they_were_made(demo: Demo) -> None:
    rows = {row["incident"]: row for row in demo.program.measure("incidents_per_100_canals", "incident", demo.sure)}
    # Ledges and blockages in straight canals are made less often than the rate says; the others are not.
    for kind in ("perforation", "transportation", "over-instrumentation", "irrigant extrusion", "missed canal"):
        assert rows[kind]["low"] <= 100 * truth.INCIDENT_RATE[kind] <= rows[kind]["high"], rows[kind]
    (canals,) = demo.program.measure("separations_per_100_canals")
    assert (rows["separation"]["events"], rows["separation"]["n"]) == (canals["events"], canals["n"])
    assert len({row["n"] for row in rows.values()}) == 1


def test_every_separation_ends_a_gap(demo: Demo) -> None:
    (canals,) = demo.program.measure("separations_per_100_canals")
    gaps = demo.program.measure("separation_gaps")
    assert len(gaps) == canals["events"] + 1
    # Canals of the gaps and those in which one ended are all there are (two in one canal end a gap of none).
    ended = canals["n"] - sum(row["canals"] for row in gaps)
    assert 0 <= canals["events"] - ended <= 2
    assert [row["at_least"] for row in gaps] == [True] + [False] * (len(gaps) - 2) + [True]
    dates = [row["from"] for row in gaps]
    assert dates == sorted(dates)


def test_no_lot_was_made_worse_and_few_are_flagged(demo: Demo) -> None:
    rows = [row for row in demo.program.measure("separations_by_lot") if not row.get("too_few")]
    assert len(rows) > 100
    beyond = [row for row in rows if row["position"] != "inside"]
    assert len(beyond) <= stats.binom.ppf(0.999, len(rows), 0.05)
    assert sum("99.8" in row["position"] for row in rows) <= stats.binom.ppf(0.999, len(rows), 0.002)


def test_the_smooth_hazard_rises_as_it_was_made_to(demo: Demo) -> None:
    rows = demo.program.measure("instrument_hazard")
    assert rows[0]["weibull_shape"] > 1
    engine = demo.truth.uses.filter("_engine")
    hazard = dict(engine.group_by("_number").agg(pl.col("_hazard").mean()).iter_rows())
    for row in rows[:8]:
        number = row["time"]
        true = hazard[number] + float(truth.deformation_hazard(number, True))
        low, high = stats.poisson.ppf((0.0005, 0.9995), row["at_risk"] * true)
        assert low <= row["events"] <= high, row
        assert row["smooth"] == pytest.approx(true, rel=0.45), row


@pytest.mark.parametrize(
    ("factor", "times"),
    [
        ("curvature of 25 degrees or more", truth.SEPARATION_IN_CURVED),
        ("no glide path", truth.SEPARATION_WITHOUT_GLIDE_PATH),
        # What has no part in the true hazard.
        ("speed outside the range", 1.0),
        ("torque over the limit", 1.0),
    ],
)
def test_factors_of_separation(demo: Demo, factor: str, times: float) -> None:
    rows = demo.program.measure("contributing_factors", settings=demo.sure)
    (row,) = [row for row in rows if (row["incident"], row["factor"]) == ("separation", factor)]
    assert row["low"] <= times <= row["high"], row


def test_the_patient_was_told_as_often_as_is_recorded(demo: Demo) -> None:
    rows = {row["incident"]: row for row in demo.program.measure("patient_informed", "incident", demo.sure)}
    row = rows["separation"]
    recorded = row["n"] - row["not_recorded"]
    low, high = stats.binom.ppf((0.0005, 0.9995), recorded, truth.PATIENT_INFORMED)
    assert low <= row["events"] <= high
    assert row["events"] + row["not_informed"] == recorded


def test_every_separation_has_a_place(demo: Demo) -> None:
    rows = demo.program.measure("incident_sites", "incident")
    of_size = [r for r in rows if (r["incident"], r["characteristic"]) == ("separation", "instrument size (ISO)")]
    listed = demo.program.measure("incident_list")
    happened = sum(row["incident"] == "separation" for row in listed)
    assert sum(row["events"] for row in of_size) + of_size[0]["not_recorded"] == happened
