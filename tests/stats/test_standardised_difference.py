"""Directly standardised shares of two groups: by hand, by R-like formula, and the coverage of the interval."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.stats.stratified import standardised, standardised_difference

Z = 1.959963984540054


def told(cells: list[tuple[int, bool, int, int]]) -> dict[str, Any]:
    """(stratum, exposed, events, n) -> one element a unit, each a cluster of its own."""
    rows = [(s, side, i < x) for s, side, x, n in cells for i in range(n)]
    stratum, exposed, event = map(np.array, zip(*rows, strict=True))
    return {"event": event, "exposed": exposed, "stratum": stratum, "cluster": np.arange(len(rows))}


def test_by_hand_and_by_the_share_of_one_group() -> None:
    """Weights 30 and 10: 0.75 x 0.8 + 0.25 x 0.5 = 0.725 against 0.75 x 0.6 + 0.25 x 0.3 = 0.525."""
    found = standardised_difference(
        **told([(0, True, 8, 10), (0, False, 6, 10), (1, True, 5, 10), (1, False, 3, 10)]), weights=[30, 10]
    )
    assert (found.exposed, found.reference, found.difference) == pytest.approx((0.725, 0.525, 0.2))
    assert found.covered == 1
    se1 = standardised([8, 5], [10, 10], [30, 10])[1]
    se0 = standardised([6, 3], [10, 10], [30, 10])[1]
    assert se1 is not None
    assert se0 is not None
    # Units of their own: the variance between clusters is the binomial one with n - 1 of n in each stratum (10 / 9),
    # times m / (m - 1) with m = 40.
    half = Z * np.sqrt((se1**2 + se0**2) * 10 / 9 * 40 / 39)
    assert (found.low, found.high) == pytest.approx((0.2 - half, 0.2 + half))


def test_a_stratum_of_one_group_has_no_part_and_is_told() -> None:
    found = standardised_difference(**told([(0, True, 8, 10), (0, False, 6, 10), (1, True, 5, 10)]), weights=[30, 10])
    assert found.difference == pytest.approx(0.2)
    assert found.covered == 0.75


def test_patients_with_several_alike_teeth_widen_the_interval() -> None:
    units = told([(0, True, 8, 16), (0, False, 6, 16)])
    alone = standardised_difference(**units, weights=[1])
    twos = standardised_difference(**units | {"cluster": np.arange(32) // 2}, weights=[1])
    assert alone.low is not None
    assert twos.low is not None
    assert twos.low < alone.low
    assert twos.difference == alone.difference


def test_nothing_to_compare_and_nothing_that_varies() -> None:
    apart = standardised_difference(**told([(0, True, 1, 2), (1, False, 1, 2)]), weights=[2, 2])
    assert (apart.difference, apart.low, apart.covered) == (None, None, 0)
    level = standardised_difference(**told([(0, True, 2, 2), (0, False, 0, 2)]), weights=[4])
    assert (level.difference, level.low, level.high) == (1, None, None)


def test_lengths_that_do_not_fit() -> None:
    with pytest.raises(ValueError, match="a unit"):
        standardised_difference([1, 0], [True], [0, 0], [1], [1, 2])


def test_ninety_five_per_cent_intervals_hold_the_truth_in_about_that_many_samples() -> None:
    """Two strata, confounded groups, patients of two alike teeth; 600 samples: 95 % +- 1.8 (two standard errors)."""
    rng = np.random.default_rng(7)
    share = np.array([[0.6, 0.9], [0.5, 0.8]])  # reference, exposed; by stratum
    truth = 0.5 * (0.5 - 0.6) + 0.5 * (0.8 - 0.9)
    held = 0
    for _ in range(600):
        patient = np.repeat(np.arange(150), 2)
        stratum = np.repeat(rng.integers(0, 2, 150), 2)
        exposed = rng.random(300) < np.where(stratum == 1, 0.7, 0.3)
        alike = np.repeat(rng.random(150), 2)  # half of the teeth share their patient's fate
        own = rng.random(300)
        event = np.where(rng.random(300) < 0.5, alike, own) < share[exposed.astype(int), stratum]
        found = standardised_difference(event, exposed, stratum, [1, 1], patient)
        assert found.low is not None
        assert found.high is not None
        held += found.low <= truth <= found.high
    assert 0.93 <= held / 600 <= 0.97, held


def test_one_tooth_of_a_kind_is_not_taken_as_certain() -> None:
    """Thirty strata, of which most hold one or two teeth of a group; 1,000 samples: 95 % +- 1.4 (two errors)."""
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(1000):
        n = rng.integers(1, 4, (2, 30))
        base = rng.uniform(0.3, 0.7, 30)
        stratum = np.concatenate([np.repeat(np.arange(30), n[0]), np.repeat(np.arange(30), n[1])])
        exposed = np.repeat([False, True], n.sum(axis=1))
        event = rng.random(stratum.size) < base[stratum] + 0.1 * exposed
        found = standardised_difference(event, exposed, stratum, n.sum(axis=0), np.arange(stratum.size))
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 0.1 <= found.high
    assert 0.93 <= held / 1000 <= 0.97, held
