"""Two groups as in a trial: against statsmodels, by hand, and where data are degenerate."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from pipeline.stats import target_trial
from pipeline.stats.evalue import e_value, e_value_of_limit
from pipeline.stats.proportions import newcombe_difference

Array = np.ndarray[Any, Any]


def teeth(seed: int = 1, n: int = 400) -> tuple[Array, Array, list[Array], list[Array], Array]:
    rng = np.random.default_rng(seed)
    patient = np.sort(rng.integers(0, n // 2, n))
    lesion, dentist, months = rng.integers(0, 3, n), rng.integers(0, 3, n), rng.uniform(12, 24, n)
    side = rng.random(n) < 1 / (1 + np.exp(-(0.6 * (lesion - 1) + 0.5 * (dentist - 1))))
    chance = 1 / (1 + np.exp(-(1 - 0.6 * lesion + 0.3 * dentist + rng.normal(0, 1, n)[patient])))
    return (rng.random(n) < chance).astype(float), side, [lesion, dentist], [months], patient


def test_models_without_ridge_are_statsmodels_own() -> None:
    """Oracle: statsmodels Logit and OLS."""
    y, side, (lesion, _), (months,), _ = teeth()
    design = np.column_stack([np.ones(y.size), side, lesion == 1, lesion == 2, months])
    found = target_trial.fit(design, y, ridge=0)
    assert found.coefficient == pytest.approx(sm.Logit(y, design).fit(disp=False).params, abs=1e-6)
    linear = target_trial.fit(design, months, ridge=0, link="linear")
    assert linear.mean == pytest.approx(months, abs=1e-6)


def test_all_three_ways_agree_with_formulas_written_out() -> None:
    """From statsmodels' propensities and outcome model (the ridge moves them by little): Li, Morgan, Zaslavsky 2018."""
    y, side, categories, numbers, patient = teeth(n=2000)
    design = target_trial.designed(side, categories, numbers)
    kept = design.kept
    y, side, patient, x = y[kept], side[kept], patient[kept], design.x
    found = target_trial.estimates(design, y, patient)
    e = sm.Logit(side.astype(float), x).fit(disp=False).predict(x)
    model = sm.Logit(y, np.column_stack([x, side])).fit(disp=False)
    m1, m0 = (model.predict(np.column_stack([x, np.full(y.size, s)])) for s in (1.0, 0.0))
    by_model = float((m1 - m0).mean())
    by_weight = np.average(y[side], weights=1 / e[side]) - np.average(y[~side], weights=1 / (1 - e[~side]))
    h = e * (1 - e)
    overlap = float((h * (m1 - m0)).sum() / h.sum())
    overlap += float(np.average((y - m1)[side], weights=(1 - e)[side]) - np.average((y - m0)[~side], weights=e[~side]))
    assert found.standardised.difference == pytest.approx(by_model, abs=1e-3)
    assert found.weighted.difference == pytest.approx(by_weight, abs=1e-3)
    assert found.overlap.difference == pytest.approx(overlap, abs=1e-3)


def test_the_jackknife_is_one_of_whole_refits() -> None:
    """Each patient left out and everything fitted anew: the one-step jackknife's error is within 3 % of that."""
    y, side, categories, numbers, patient = teeth(n=160)
    design = target_trial.designed(side, categories, numbers)
    kept = design.kept
    y, patient = y[kept], patient[kept]
    found = target_trial.estimates(design, y, patient).overlap
    again = []
    for left_out in np.unique(patient):
        others = patient != left_out
        x, s = design.x[others], design.exposed[others]
        part = target_trial.Design(others, x, s, target_trial.fit(x, s.astype(float)), (0, 0), ())
        again.append(target_trial.estimates(part, y[others], patient[others]).overlap.difference)
    moved = np.array(again) - np.mean(again)
    spent = moved.size / (moved.size - 2 * (design.terms + 1))
    assert found.se == pytest.approx(np.sqrt(spent * (1 - 1 / moved.size) * (moved**2).sum()), rel=0.03)


def test_without_covariates_it_is_newcombes_interval_but_for_students_t() -> None:
    """All alike, each unit for itself: shares are plain, limits are Newcombe's (1998, method 10) within 1 point."""
    y = np.array([1.0] * 56 + [0] * 14 + [1] * 48 + [0] * 32)
    side = np.arange(150) < 70
    design = target_trial.designed(side, [np.zeros(150)])
    for way, found in vars(target_trial.estimates(design, y, np.arange(150))).items():
        assert found.difference == pytest.approx(0.2, abs=5e-3 if way == "standardised" else 1e-9)
        _, low, high = newcombe_difference(56, 70, 48, 80)
        assert (found.low, found.high) == pytest.approx((float(low), float(high)), abs=0.01)


def test_p_is_below_a_level_just_where_the_interval_of_that_level_leaves_out_0() -> None:
    for seed in range(20):
        y, side, categories, numbers, patient = teeth(seed, 150)
        design = target_trial.designed(side, categories, numbers)
        y, patient = y[design.kept], patient[design.kept]
        for level in (0.8, 0.95):
            found = target_trial.estimates(design, y, patient, level).overlap
            assert found.low is not None and found.high is not None and found.p is not None
            assert (found.p < 1 - level) == (found.low > 0 or found.high < 0)
            assert found.ratio_low is not None and found.ratio_high is not None
            assert (found.ratio_low > 1 or found.ratio_high < 1) == (found.low > 0 or found.high < 0)


def test_all_against_none_speaks_and_hangs_on_patients_not_on_teeth() -> None:
    y, side = np.repeat([1.0, 0.0], 20), np.repeat([True, False], 20)
    design = target_trial.designed(side, [np.zeros(40)])
    teeth_alone = target_trial.estimates(design, y, np.arange(40)).overlap
    assert teeth_alone.low is not None and teeth_alone.low > 0.6
    assert teeth_alone.high == 1
    five_each = target_trial.estimates(design, y, np.arange(40) // 5).overlap
    assert five_each.low is not None and five_each.low < teeth_alone.low
    one = target_trial.estimates(design, y, np.where(side, 0, np.arange(40))).overlap
    assert (one.low, one.high, one.p) == (None, None, None)


def test_more_alike_patients_make_wider_intervals_and_never_narrower_ones() -> None:
    y, side, categories, numbers, patient = teeth(n=300)
    design = target_trial.designed(side, categories, numbers)
    y, patient = y[design.kept], patient[design.kept]
    alone = target_trial.estimates(design, y, np.arange(y.size)).overlap
    together = target_trial.estimates(design, y, patient).overlap
    assert alone.se is not None and together.se is not None
    assert together.se >= alone.se - 1e-12


def test_units_without_a_counterpart_are_found_in_one_covariate_and_in_all() -> None:
    side = np.array([True] * 50 + [False] * 50)
    dentist = np.where(side, "D1", "D2")
    nobody = target_trial.designed(side, [dentist])
    assert nobody.alone == (1, 1)
    assert nobody.alone_by == ((1, 1),)
    assert not nobody.kept.any()
    assert target_trial.estimates(nobody, [], []).overlap.difference is None
    # One lesion class of the exposed alone: 10 of 50; what is left of the others stays.
    lesion = np.array(["big"] * 10 + ["none"] * 90)
    some = target_trial.designed(side, [lesion])
    assert some.alone == (0.2, 0)
    assert some.kept.sum() == 90
    apart = target_trial.designed(side, [], [np.where(side, 0.0, 5.0) + np.arange(100) / 1000])
    assert apart.alone == (1, 1)


def test_lengths_that_do_not_fit_and_missing_numbers_are_errors() -> None:
    with pytest.raises(ValueError, match="one value of each covariate"):
        target_trial.designed([True, False], [["a"]])
    with pytest.raises(ValueError, match="missing"):
        target_trial.designed([True, False], [], [[1.0, np.nan]])
    design = target_trial.designed([True, False, True, False], [["a"] * 4])
    with pytest.raises(ValueError, match="one outcome"):
        target_trial.estimates(design, [1, 0], [1, 2])


def test_e_values_of_impossible_ratios_are_errors() -> None:
    for ratio in (0.0, -1.0, float("inf")):
        with pytest.raises(ValueError, match="positive"):
            e_value(ratio)
    with pytest.raises(ValueError, match="lower one first"):
        e_value_of_limit(2.0, 1.0)
    assert e_value(1.0) == 1
    assert e_value(0.5) == pytest.approx(e_value(2.0))


def test_no_event_on_a_side_is_as_alike_as_the_other_side_shows() -> None:
    """0 of 300 against 30 of 300, two units a patient; where the other side's are not alike: Newcombe's limits."""
    y = np.concatenate([np.zeros(300), np.arange(300) % 10 == 0])
    side = np.arange(600) < 300
    design = target_trial.designed(side, [np.zeros(600)])
    found = target_trial.estimates(design, y, np.arange(600) // 2).overlap
    _, low, high = newcombe_difference(0, 300, 30, 300)
    assert (found.low, found.high) == pytest.approx((float(low), float(high)), abs=0.004)
    alike = np.concatenate([np.zeros(300), np.arange(300) // 2 % 10 == 0])  # both units of a patient, or none
    wider = target_trial.estimates(design, alike, np.arange(600) // 2).overlap
    assert wider.high is not None and found.high is not None and found.high < wider.high < 0


def test_where_nobody_had_the_event_there_is_no_ratio_of_rounding_errors() -> None:
    """Both shares are 0 but for the last digits of sums: a ratio of these would be any number."""
    for seed in range(10):
        _, side, categories, numbers, patient = teeth(seed, 160)
        design = target_trial.designed(side, categories, numbers)
        found = target_trial.estimates(design, np.zeros(int(design.kept.sum())), patient[design.kept])
        for way in vars(found).values():
            assert way.ratio is None, way
        assert (found.overlap.exposed, found.overlap.reference, found.overlap.difference) == (0.0, 0.0, 0.0)


def test_one_newton_step_without_a_cluster_is_solved_with_small_matrices() -> None:
    """Woodbury's formula against the whole information less the cluster's own, solved."""
    y, side, categories, numbers, patient = teeth(n=300)
    design = target_trial.designed(side, categories, numbers)
    x, y, code = design.x, y[design.kept], np.unique(patient[design.kept], return_inverse=True)[1]
    model = target_trial.fit(x, y)
    slope = model.mean * (1 - model.mean)
    found = target_trial._without_each(x, y, model, code)
    for cluster in range(int(code.max()) + 1):
        mine = code == cluster
        own = x[mine].T @ (x[mine] * slope[mine, None])
        score = x[mine].T @ (y - model.mean)[mine]
        alone = mine.sum() == 1
        left = model.information - (own if alone else 0.99 * own)
        assert found[cluster] == pytest.approx(-np.linalg.solve(left, score), rel=1e-9, abs=1e-12)


def test_of_many_patients_sums_are_expanded_and_say_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against the same with every patient left out of every sum.

    What is lost falls with the number of patients, and with those that are left out of every sum all the same.
    """
    apart = {}
    for n in (1000, 4000):
        y, side, categories, numbers, patient = teeth(n=n)
        rare = (np.arange(n) % (n // 12) == 0).astype(int)  # each of its dozen teeth moves its coefficient much
        design = target_trial.designed(side, [*categories, rare], numbers)
        outcome, cluster = y[design.kept], patient[design.kept]
        found = {}
        for most in (10**12, n * n // 10, 0):
            monkeypatch.setattr(target_trial, "_MOST_EXACT", most)
            e = target_trial.estimates(design, outcome, cluster)
            found[most] = np.array([[c.difference, c.low, c.high, c.se] for c in (e.overlap, e.weighted)], float)
        apart[n] = [np.abs(found[most] - found[10**12]).max() for most in (0, n * n // 10)]
        assert (found[0][:, 0] == found[10**12][:, 0]).all()
    assert all(some < none < 1e-5 for none, some in apart.values()), apart
    assert apart[4000][1] < 5e-8, apart
