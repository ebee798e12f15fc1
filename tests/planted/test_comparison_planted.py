"""The demo plants no effect of a sequence on healing: the model and the standardised shares find none either."""

from __future__ import annotations

from typing import Any

from demo_data import truth

Demo = Any  # of conftest.py


def test_the_model_and_the_standardised_shares_hold_the_truth_for_every_pair(demo: Demo) -> None:
    """99.9 % intervals, as six pairs are looked at; an odds ratio of 1 is a difference of 0."""
    assert truth.ADJUSTED_DIFFERENCE == 0
    rows = demo.program.measure("sequence_comparison", settings=demo.sure)
    assert len(rows) == 6
    for row in rows:
        assert row["gee_low"] <= 1 <= row["gee_high"], row
        assert row["standardised_low"] <= truth.ADJUSTED_DIFFERENCE <= row["standardised_high"], row
        assert row["standard_covered"] > 0.9
        assert "a difference is shown" not in row["sentence"]


def test_the_pair_that_differs_only_by_its_cases_differs_less_in_every_adjusted_figure(demo: Demo) -> None:
    favoured = {truth.FAVOURED, truth.BURDENED}
    (row,) = (r for r in demo.program.measure("sequence_comparison") if {r["sequence"], r["reference"]} == favoured)
    assert abs(row["crude_difference"]) >= truth.CRUDE_DIFFERENCE_AT_LEAST
    for adjusted in ("estimate", "standardised_difference"):
        assert abs(row[adjusted]) < abs(row["crude_difference"]) / 2
    assert row["gee_low"] <= 1 <= row["gee_high"]
