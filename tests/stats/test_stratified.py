"""Mantel-Haenszel: statsmodels as oracle, the risk difference worked by hand, and strata that tell nothing."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import StratifiedTable, Table2x2

from pipeline.stats.stratified import crude, mantel_haenszel, standardised

cell = st.integers(1, 60)
table = st.tuples(st.tuples(cell, cell), st.tuples(cell, cell))
tables = st.lists(table, min_size=2, max_size=8)


@given(tables, st.sampled_from([0.9, 0.95]))
def test_odds_ratio_and_tests_agree_with_statsmodels(strata: list, confidence: float) -> None:
    oracle = StratifiedTable([np.array(t, dtype=float) for t in strata])
    found = mantel_haenszel(strata, confidence)
    assert found.odds_ratio == pytest.approx(oracle.oddsratio_pooled)
    assert (found.odds_low, found.odds_high) == pytest.approx(oracle.oddsratio_pooled_confint(1 - confidence))
    plain, corrected = oracle.test_null_odds(correction=False), oracle.test_null_odds(correction=True)
    assert (found.chi2, found.p) == pytest.approx((plain.statistic, plain.pvalue), abs=1e-9)
    # The oracle's correction does not stop at 0 when the sum is within one half of its expectation; R's does.
    if found.chi2_corrected:
        assert (found.chi2_corrected, found.p_corrected) == pytest.approx(
            (corrected.statistic, corrected.pvalue), abs=1e-9
        )
    if found.odds_ratio == pytest.approx(1, abs=1e-6):
        return  # the oracle divides by zero there
    equal, tarone = oracle.test_equal_odds(), oracle.test_equal_odds(adjust=True)
    assert (found.breslow_day, found.breslow_day_p) == pytest.approx((equal.statistic, equal.pvalue), abs=1e-6)
    assert (found.tarone, found.tarone_p) == pytest.approx((tarone.statistic, tarone.pvalue), abs=1e-6)
    assert (found.strata_used, found.strata_dropped) == (len(strata), 0)
    assert found.n_used == np.sum(strata)


def test_equal_odds_where_the_pooled_odds_ratio_is_1() -> None:
    # Odds ratios 4 and 1/4 over equal strata: pooled 1, so of 15 exposed 7.5 events are expected, variance 7.5 / 4.
    found = mantel_haenszel([[[10, 5], [5, 10]], [[5, 10], [10, 5]]])
    assert found.odds_ratio == 1
    assert found.breslow_day == found.tarone == pytest.approx(2 * 2.5**2 / (7.5 / 4))


def test_risk_difference_by_hand() -> None:
    # Greenland & Robins 1985 and, for the error, Sato 1989, worked step by step for two strata.
    #   incisors: 8 of 20 exposed, 3 of 30 reference;  molars: 9 of 12 exposed, 20 of 40 reference
    strata = [[[8, 12], [3, 27]], [[9, 3], [20, 20]]]
    weight_1 = 20 * 30 / 50  # 12
    weight_2 = 12 * 40 / 52  # 9.230769
    difference_1 = 8 / 20 - 3 / 30  # 0.30
    difference_2 = 9 / 12 - 20 / 40  # 0.25
    pooled = (weight_1 * difference_1 + weight_2 * difference_2) / (weight_1 + weight_2)
    skew_1 = (20**2 * 3 - 30**2 * 8 + 20 * 30 * (30 - 20) / 2) / 50**2  # -1.2
    skew_2 = (12**2 * 20 - 40**2 * 9 + 12 * 40 * (40 - 12) / 2) / 52**2  # -1.775148
    unlike_1 = (8 * (30 - 3) + 3 * (20 - 8)) / (2 * 50)  # 2.52
    unlike_2 = (9 * (40 - 20) + 20 * (12 - 9)) / (2 * 52)  # 2.307692
    error = (pooled * (skew_1 + skew_2) + unlike_1 + unlike_2) ** 0.5 / (weight_1 + weight_2)
    assert pooled == pytest.approx(0.278261, abs=1e-6)
    assert (skew_1, skew_2, unlike_1, unlike_2) == pytest.approx((-1.2, -1.775148, 2.52, 2.307692), abs=1e-6)
    found = mantel_haenszel(strata)
    assert found.risk_difference == pytest.approx(pooled)
    assert found.difference_low == pytest.approx(pooled - 1.959964 * error, abs=1e-6)
    assert found.difference_high == pytest.approx(pooled + 1.959964 * error, abs=1e-6)


@given(table)
def test_one_stratum_is_the_crude_difference_with_walds_error(one: tuple) -> None:
    (a, b), (c, d) = one
    found = mantel_haenszel([one])
    p1, p0 = a / (a + b), c / (c + d)
    assert found.risk_difference == pytest.approx(p1 - p0)
    half = 1.959963985 * np.sqrt(p1 * (1 - p1) / (a + b) + p0 * (1 - p0) / (c + d))
    assert found.difference_high == pytest.approx(min(p1 - p0 + half, 1), abs=1e-9)
    assert found.odds_ratio == pytest.approx(a * d / (b * c))
    assert found.breslow_day is None  # one stratum cannot differ from itself


# Tuberculosis with and without vaccination: cases and others, 13 trials (Colditz GA et al., JAMA 1994;271:698-702).
TRIALS = [
    [[4, 119], [11, 128]],
    [[6, 300], [29, 274]],
    [[3, 228], [11, 209]],
    [[62, 13536], [248, 12619]],
    [[33, 5036], [47, 5761]],
    [[180, 1361], [372, 1079]],
    [[8, 2537], [10, 619]],
    [[505, 87886], [499, 87892]],
    [[29, 7470], [45, 7232]],
    [[17, 1699], [65, 1600]],
    [[186, 50448], [141, 27197]],
    [[5, 2493], [3, 2338]],
    [[27, 16886], [29, 17825]],
]


def test_thirteen_trials_of_a_vaccine() -> None:
    """The R package metafor's own tests (rma.mh, measure RD) print -0.0033 (-0.0039 to -0.0027), z -11.4708.

    z tells the two errors apart: with that of Greenland and Robins it is -11.56, as Stata's metan prints.
    """
    found = mantel_haenszel(TRIALS)
    assert found.risk_difference == pytest.approx(-0.0033, abs=5e-5)
    assert found.difference_low == pytest.approx(-0.0039, abs=5e-5)
    assert found.difference_high == pytest.approx(-0.0027, abs=5e-5)
    error = (found.difference_high - found.difference_low) / (2 * 1.959963985)
    assert found.risk_difference / error == pytest.approx(-11.4708, abs=5e-5)


def test_limits_hold_in_strata_of_one_unit_a_group() -> None:
    """Pairs: strata whose groups have no spread of their own. Greenland and Robins' error would be 0 here."""
    rng = np.random.default_rng(5)
    covered = []
    for _ in range(1500):
        base = rng.uniform(0.2, 0.7, 40)
        a, c = rng.random(40) < base + 0.15, rng.random(40) < base
        m = mantel_haenszel(np.stack([np.stack([a, ~a], 1), np.stack([c, ~c], 1)], 1))
        covered.append(m.difference_low <= 0.15 <= m.difference_high)
    assert 0.93 <= np.mean(covered) <= 0.97


def test_the_risk_difference_covers_the_truth() -> None:
    rng = np.random.default_rng(11)
    base, truth = np.array([0.2, 0.4, 0.6]), 0.15
    n1, n0 = np.array([30, 50, 20]), np.array([60, 25, 40])
    covered = []
    for _ in range(1500):
        a, c = rng.binomial(n1, base + truth), rng.binomial(n0, base)
        m = mantel_haenszel(np.stack([np.stack([a, n1 - a], 1), np.stack([c, n0 - c], 1)], 1))
        covered.append(m.difference_low <= truth <= m.difference_high)
    assert 0.93 <= np.mean(covered) <= 0.97


@given(tables)
def test_strata_with_one_group_only_change_nothing_but_the_count(strata: list) -> None:
    one_sided = [((5, 3), (0, 0)), ((0, 0), (2, 9)), ((0, 0), (0, 0))]
    with_them, without = mantel_haenszel(strata + one_sided), mantel_haenszel(strata)
    assert with_them.strata_dropped == 2  # a stratum without anybody is no stratum
    assert with_them.strata_dropped_odds == 2
    same = ("odds_ratio", "odds_low", "risk_difference", "difference_high", "chi2", "tarone", "n_used", "strata_used")
    for name in same:
        assert getattr(with_them, name) == pytest.approx(getattr(without, name))


@given(tables)
def test_exposed_and_reference_exchanged(strata: list) -> None:
    found, back = mantel_haenszel(strata), mantel_haenszel(np.array(strata)[:, ::-1])
    assert back.odds_ratio == pytest.approx(1 / found.odds_ratio)
    assert back.risk_difference == pytest.approx(-found.risk_difference, abs=1e-12)
    assert back.chi2 == pytest.approx(found.chi2, abs=1e-9)


def test_strata_without_events_count_for_the_difference_only() -> None:
    found = mantel_haenszel([[[0, 10], [0, 20]], [[3, 7], [2, 18]]])
    assert (found.strata_used, found.strata_used_odds, found.strata_dropped_odds) == (2, 1, 1)
    assert found.risk_difference == pytest.approx((10 * 20 / 30 * 0 + 10 * 20 / 30 * 0.2) / (2 * 10 * 20 / 30))


def test_not_estimable() -> None:
    nothing = mantel_haenszel(np.empty((0, 2, 2)))
    assert (nothing.risk_difference, nothing.odds_ratio, nothing.chi2, nothing.strata_used) == (None, None, None, 0)
    no_events = mantel_haenszel([[[0, 10], [0, 20]]])
    assert (no_events.risk_difference, no_events.difference_low, no_events.odds_ratio) == (0, None, None)
    all_in_one = mantel_haenszel([[[4, 6], [0, 20]], [[2, 6], [0, 10]]])
    assert all_in_one.odds_ratio is None and all_in_one.breslow_day is None and all_in_one.chi2 is not None


@pytest.mark.parametrize("wrong", [[[1, 2], [3, 4]], [[[1, 2], [3, -1]]], [[[1, 2], [3, np.nan]]]])
def test_wrong_tables_are_refused(wrong: list) -> None:
    with pytest.raises(ValueError, match=r"shape|negative"):
        mantel_haenszel(wrong)


@given(table)
def test_crude_odds_ratio_agrees_with_statsmodels(one: tuple) -> None:
    found, oracle = crude(one), Table2x2(np.array(one, dtype=float), shift_zeros=False)
    assert found.odds_ratio == pytest.approx(oracle.oddsratio)
    assert (found.odds_low, found.odds_high) == pytest.approx(oracle.oddsratio_confint())
    assert found.difference_low <= found.risk_difference <= found.difference_high


def test_crude_with_empty_cells() -> None:
    found = crude([[0, 10], [2, 8]])
    assert found.odds_ratio is None and found.risk_difference == pytest.approx(-0.2)
    one_group = crude([[0, 0], [2, 8]])
    assert (one_group.exposed, one_group.risk_difference, one_group.difference_low) == (None, None, None)
    assert one_group.reference == 0.2
    with pytest.raises(ValueError, match="2 x 2"):
        crude([1, 2, 3, 4])


def test_the_crude_difference_can_mislead_where_the_stratified_one_does_not() -> None:
    # One sequence is kept for molars, which heal less: within each tooth type it makes no difference.
    molars, incisors = [[60, 40], [6, 4]], [[9, 1], [90, 10]]
    together = np.sum([molars, incisors], axis=0)
    assert crude(together).difference_high < 0
    found = mantel_haenszel([molars, incisors])
    assert found.risk_difference == pytest.approx(0, abs=1e-12) and found.odds_ratio == pytest.approx(1)


@given(st.lists(st.tuples(st.integers(1, 50), st.integers(0, 50)), min_size=1, max_size=6))
def test_a_share_standardised_to_its_own_case_mix_is_itself(rows: list[tuple[int, int]]) -> None:
    n, x = np.array([(n, min(x, n)) for n, x in rows]).T
    share, error = standardised(x, n, n)
    assert share == pytest.approx(x.sum() / n.sum())
    assume(len(rows) == 1)
    assert error == pytest.approx(np.sqrt(share * (1 - share) / n[0]))


def test_a_stratum_nobody_was_treated_in_cannot_be_standardised() -> None:
    assert standardised([1, 0], [2, 0], [5, 5]) == (None, None)
    assert standardised([1, 0], [2, 0], [5, 0])[0] == 0.5
    assert standardised([], [], []) == (None, None)
