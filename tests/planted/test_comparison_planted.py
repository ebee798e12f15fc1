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
    told = [row for row in rows if row["estimate"] is not None]
    assert len(told) >= 4
    assert all(row["cannot_compare"] or row["cannot_tell"] for row in rows if row not in told)
    for row in told:
        assert row["gee_low"] <= 1 <= row["gee_high"], row
        for way in ("", "standardised_", "weighted_", "mantel_haenszel_", "directly_standardised_"):
            assert row[f"{way}low"] <= truth.ADJUSTED_DIFFERENCE <= row[f"{way}high"], row
        assert row["standard_covered"] > 0.8
        assert "a difference is shown" not in row["sentence"]


def test_the_pair_that_differs_only_by_its_cases_differs_less_in_every_adjusted_figure(demo: Demo) -> None:
    favoured = {truth.FAVOURED, truth.BURDENED}
    (row,) = (r for r in demo.program.measure("sequence_comparison") if {r["sequence"], r["reference"]} == favoured)
    assert abs(row["crude_difference"]) >= truth.CRUDE_DIFFERENCE_AT_LEAST
    for adjusted in ("estimate", "standardised_difference", "mantel_haenszel_difference", "weighted_difference"):
        assert abs(row[adjusted]) < abs(row["crude_difference"]) / 2
    assert row["gee_low"] <= 1 <= row["gee_high"]
