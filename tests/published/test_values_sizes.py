"""Entries of check-values-2.json on how many units it takes."""

from __future__ import annotations

import itertools

import pytest

from pipeline.stats.power import power_two_proportions, sample_size
from pipeline.stats.proportions import clopper_pearson

from .entries import entry, hold


@pytest.mark.parametrize("name", ["two-proportions-.10-.15", "two-proportions-rare"])
def test_units_that_show_a_difference_of_two_shares(name: str) -> None:
    of = entry(name)
    i = of["inputs"]
    n = sample_size(i["p1"], i["p2"], i["power"], i["two_sided_alpha"])
    hold(of, {field: n for field in ("n_per_group", "n_rpact") if field in of["expected"]})
    assert power_two_proportions(i["p1"], i["p2"], n, alpha=i["two_sided_alpha"]) == pytest.approx(i["power"])


def test_units_among_which_one_would_have_been_seen() -> None:
    """The smallest n at which the upper bound of no events falls to the share (times the chance of noticing one)."""
    of = entry("n-to-see-one")
    found = [
        next(n for n in itertools.count(1) if clopper_pearson(0, n, 2 * case["conf"] - 1)[1] <= case["p"] * case["se"])
        for case in of["inputs"]["cases"]
    ]
    hold(of, {"n": found})
