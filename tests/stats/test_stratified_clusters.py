"""Comparisons within strata where units of a cluster are alike, and equal odds ratios where strata are small."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from pipeline.stats import stratified


def test_a_design_effect_widens_both_intervals_and_the_test_by_its_root() -> None:
    tables = np.array([[[20, 10], [12, 18]], [[30, 8], [25, 15]]])
    plain, wide = stratified.mantel_haenszel(tables), stratified.mantel_haenszel(tables, design_effect=4.0)
    assert wide.risk_difference == plain.risk_difference
    assert wide.difference_high - wide.difference_low == pytest.approx(
        2 * (plain.difference_high - plain.difference_low)
    )
    assert np.log(wide.odds_high / wide.odds_low) == pytest.approx(2 * np.log(plain.odds_high / plain.odds_low))
    assert wide.chi2 == pytest.approx(plain.chi2 / 4)
    with pytest.raises(ValueError, match="design effect"):
        stratified.mantel_haenszel(tables, design_effect=0.9)


def test_every_unit_twice_in_a_cluster_has_a_design_effect_of_2() -> None:
    rng = np.random.default_rng(3)
    y, side, stratum = rng.integers(0, 2, 400), rng.integers(0, 2, 400), rng.integers(0, 5, 400)
    assert stratified.between_clusters(y, side, stratum, np.arange(400)) == pytest.approx(1, abs=0.003)
    twice = [np.repeat(v, 2) for v in (y, side, stratum, np.arange(400))]
    assert stratified.between_clusters(*twice) == pytest.approx(2, rel=0.003)


def test_the_design_effect_is_that_of_least_squares_with_strata_as_terms() -> None:
    """Oracle: statsmodels OLS, cluster over HC0 variance."""
    rng = np.random.default_rng(4)
    units = pd.DataFrame({"s": rng.integers(0, 4, 300), "g": rng.integers(0, 80, 300), "z": rng.integers(0, 2, 300)})
    units["y"] = (rng.random(300) < 0.3 + 0.1 * units["s"] + rng.normal(0, 0.3, 80)[units["g"]]).astype(int)
    model = smf.ols("y ~ z + C(s)", units)
    clustered = model.fit(cov_type="cluster", cov_kwds={"groups": units["g"], "use_correction": False}).bse["z"]
    plain = model.fit(cov_type="HC0").bse["z"]
    m = units["g"].nunique()
    expected = (clustered / plain) ** 2 * m / (m - 1)
    assert stratified.between_clusters(units["y"], units["z"], units["s"], units["g"]) == pytest.approx(
        max(expected, 1)
    )


def test_sparse_strata_of_equal_odds_are_said_to_disagree_no_more_than_five_times_in_a_hundred() -> None:
    """300 comparisons of 14 small strata with one odds ratio of 2: 28 at most (99.9 %)."""
    rng = np.random.default_rng(11)
    said = 0
    for _ in range(300):
        n1, n0 = rng.integers(1, 12, 14), rng.integers(1, 12, 14)
        p0 = rng.uniform(0.6, 0.95, 14)
        p1 = 2 * p0 / (1 - p0) / (1 + 2 * p0 / (1 - p0))
        a, c = rng.binomial(n1, p1), rng.binomial(n0, p0)
        p = stratified.equal_odds_p(np.stack([np.stack([a, n1 - a], 1), np.stack([c, n0 - c], 1)], 1))
        said += p is not None and p < 0.05
    assert said <= 28


def test_odds_ratios_that_do_differ_are_found() -> None:
    tables = np.array([[[40, 10], [10, 40]], [[10, 40], [40, 10]]])
    p = stratified.equal_odds_p(tables)
    assert p is not None and p < 0.001
    assert stratified.equal_odds_p(tables[::-1]) == p
    assert stratified.equal_odds_p(tables[:1]) is None
