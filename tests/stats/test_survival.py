"""Survival: statsmodels and SciPy as oracles, ties, no events, all events, one group, and hand-worked edges."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.duration.survfunc import CumIncidenceRight, SurvfuncRight, survdiff

from pipeline.stats.competing import aalen_johansen
from pipeline.stats.logrank import logrank
from pipeline.stats.survival import discrete_hazard, kaplan_meier, turnbull

# Whole numbers from a short range: ties everywhere, as with days and uses.
subjects = st.lists(st.tuples(st.integers(0, 12), st.booleans()), min_size=1, max_size=40)


def columns(rows: list[tuple]) -> tuple[np.ndarray, ...]:
    return tuple(np.array(c) for c in zip(*rows, strict=True))


@given(subjects)
def test_kaplan_meier_agrees_with_statsmodels(rows: list[tuple[int, bool]]) -> None:
    time, event = columns(rows)
    km = kaplan_meier(time, event)
    if not event.any():
        assert km.times.size == 0 and km.median() is None and km.n_events == 0
        return
    oracle = SurvfuncRight(time, event.astype(int))
    kept = np.isin(km.times, oracle.surv_times)
    np.testing.assert_array_equal(km.times[kept], oracle.surv_times)
    np.testing.assert_allclose(km.survival[kept], oracle.surv_prob, atol=1e-12)
    np.testing.assert_array_equal(km.at_risk[kept], oracle.n_risk)
    np.testing.assert_array_equal(km.events[kept], oracle.n_events)
    inside = kept & (km.survival > 0)
    np.testing.assert_allclose(km.se[inside], oracle.surv_prob_se[km.survival[kept] > 0], atol=1e-12)
    assert kept.all()


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # the oracle divides by zero where survival is 1 or 0
@given(subjects)
def test_loglog_limits_agree_with_scipy(rows: list[tuple[int, bool]]) -> None:
    time, event = columns(rows)
    km = kaplan_meier(time, event)
    data = stats.CensoredData(uncensored=time[event], right=time[~event])
    curve = stats.ecdf(data).sf
    limits = curve.confidence_interval(0.95, method="log-log")
    inside = km.survival > 0
    at = km.times[inside]
    np.testing.assert_allclose(km.survival[inside], curve.evaluate(at), atol=1e-12)
    np.testing.assert_allclose(km.low[inside], limits.low.evaluate(at), atol=1e-9)
    np.testing.assert_allclose(km.high[inside], limits.high.evaluate(at), atol=1e-9)
    assert np.isnan(km.low[~inside]).all() and np.isnan(km.se[~inside]).all()


@given(subjects)
def test_kaplan_meier_counts_everybody_and_limits_hold_the_curve(rows: list[tuple[int, bool]]) -> None:
    time, event = columns(rows)
    for interval in ("log-log", "plain"):
        km = kaplan_meier(time, event, interval=interval)
        assert km.n == len(rows) and km.events.sum() == km.n_events == event.sum()
        before_first = np.sum(~event & (time < (km.times[0] if km.times.size else np.inf)))
        assert km.censored.sum() + before_first == np.sum(~event)
        assert (np.diff(km.survival) < 0).all()
        known = ~np.isnan(km.low)
        assert (km.low[known] <= km.survival[known] + 1e-12).all()
        assert (km.survival[known] <= km.high[known] + 1e-12).all()


def test_without_censoring_it_is_the_plain_share() -> None:
    km = kaplan_meier([1, 2, 2, 5], [1, 1, 1, 1])
    np.testing.assert_allclose(km.survival, [0.75, 0.25, 0])
    assert np.isnan(km.low[-1]) and np.isnan(km.high[-1]) and np.isnan(km.se[-1])


def test_the_median_is_the_smallest_time_at_or_below_one_half() -> None:
    assert kaplan_meier([1, 2, 3, 4], [1, 1, 1, 1]).median() == 2  # other programs say 2.5 or 3
    # 5/6 * 4/5 * 3/4 is one half only on paper; in floating point it is 0.5000000000000001.
    assert kaplan_meier([1, 2, 3, 4, 5, 6], [1, 1, 1, 0, 0, 0]).median() == 3
    assert kaplan_meier([1, 2, 3], [1, 0, 0]).median() is None


def test_published_interval_of_the_median() -> None:
    # Freireich 1963; intervals of R's survival with log-log limits: 13 to infinity, and 4 to 11.
    treated = [6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
    placebo = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
    arm = kaplan_meier(treated, [1] * 9 + [0] * 12)
    other = kaplan_meier(placebo, [1] * 21)
    assert (arm.median(), arm.median_interval()) == (23, (13, None))
    assert (other.median(), other.median_interval()) == (8, (4, 11))


def test_survival_at_a_time() -> None:
    km = kaplan_meier([2, 3, 3, 5, 8], [1, 1, 0, 0, 0])
    first = km.at(1)
    # Nobody of five yet: 0.025 ** (1 / 5), the limit of Clopper and Pearson.
    assert (first.estimate, first.low, first.high, first.at_risk) == (1, pytest.approx(0.025**0.2), 1, 5)
    third = km.at(3)
    assert third.estimate == pytest.approx(0.6) and third.at_risk == 4 and third.low < 0.6 < third.high
    assert km.at(8).estimate == pytest.approx(0.6) and km.at(8).at_risk == 1
    assert km.at(8.1) is None and km.last == 8
    gone = kaplan_meier([1], [1]).at(1)
    assert (gone.estimate, gone.low, gone.high) == (0, None, None)


def test_nobody_and_wrong_input() -> None:
    empty = kaplan_meier([], [])
    assert (empty.n, empty.last, empty.at(0), empty.median()) == (0, None, None, None)
    with pytest.raises(ValueError, match="negative"):
        kaplan_meier([-1], [1])
    with pytest.raises(ValueError, match="2 times but 1 events"):
        kaplan_meier([1, 2], [1])
    with pytest.raises(ValueError, match="missing"):
        kaplan_meier([np.nan], [1])
    with pytest.raises(ValueError, match="interval"):
        kaplan_meier([1], [1], interval="log")


grouped = st.lists(st.tuples(st.integers(1, 9), st.booleans(), st.sampled_from("abc")), min_size=2, max_size=40)


@pytest.mark.parametrize(("weights", "oracle_weights"), [(None, None), ("wilcoxon", "gb"), ("tarone-ware", "tw")])
@given(grouped)
def test_logrank_agrees_with_statsmodels(
    weights: str | None, oracle_weights: str | None, rows: list[tuple[int, bool, str]]
) -> None:
    time, event, group = columns(rows)
    found = logrank(time, event, group, weights)
    assert sum(found.observed) == event.sum() == pytest.approx(sum(found.expected))
    if found.chi2 is None:
        assert found.p is None and found.df == 0
        return
    assert found.chi2 >= 0 and 0 <= found.p <= 1
    if found.df == len(found.groups) - 1:  # statsmodels counts a group that never meets the others
        chi2, p = survdiff(time, event.astype(int), group, weight_type=oracle_weights)
        assert found.chi2 == pytest.approx(chi2, rel=1e-6, abs=1e-9)
        assert found.p == pytest.approx(p, rel=1e-6, abs=1e-9)


def test_logrank_is_z_squared_of_scipy_for_two_groups() -> None:
    a, b = [6, 6, 6, 7, 10, 13, 16, 22, 23], [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8]
    found = logrank(a + b, [1] * 20, ["a"] * 9 + ["b"] * 11)
    assert found.chi2 == pytest.approx(stats.logrank(a, b).statistic ** 2)
    assert found.groups == ["a", "b"]


def test_logrank_with_nothing_to_compare() -> None:
    assert logrank([1, 2], [1, 1], ["a", "a"]).chi2 is None  # one group
    assert logrank([1, 2], [0, 0], ["a", "b"]).chi2 is None  # no event
    assert logrank([1, 5], [1, 1], ["a", "b"]).chi2 is not None
    assert logrank([1, 5], [0, 1], ["a", "b"]).chi2 is None  # never at risk together at an event
    # A group that left before the first event adds neither a comparison nor a degree of freedom.
    three = logrank([1, 3, 4, 5, 6], [0, 1, 1, 1, 1], ["c", "a", "b", "a", "b"])
    assert three.df == 1 and three.expected[2] == 0
    with pytest.raises(ValueError, match="weights"):
        logrank([1], [1], ["a"], "peto")


@given(st.lists(st.tuples(st.integers(1, 10), st.booleans()), min_size=1, max_size=50))
def test_discrete_hazard_multiplies_to_the_survival_curve(rows: list[tuple[int, bool]]) -> None:
    time, event = columns(rows)
    hazard = discrete_hazard(time, event)
    np.testing.assert_array_equal(hazard.uses, np.arange(1, time.max() + 1))
    km = kaplan_meier(time, event)
    survival = np.cumprod(1 - hazard.hazard)
    np.testing.assert_allclose(survival[np.searchsorted(hazard.uses, km.times)], km.survival, atol=1e-12)
    assert hazard.at_risk[0] == len(rows) and (hazard.at_risk > 0).all()
    assert (hazard.low <= hazard.hazard).all() and (hazard.hazard <= hazard.high).all()


def test_discrete_hazard_of_nothing_and_of_part_uses() -> None:
    assert discrete_hazard([], []).uses.size == 0
    for time in ([0], [1.5]):
        with pytest.raises(ValueError, match="whole numbers"):
            discrete_hazard(time, [1])


competing = st.lists(st.tuples(st.integers(1, 9), st.integers(0, 3)), min_size=1, max_size=40)


@given(competing)
def test_cumulative_incidence(rows: list[tuple[int, int]]) -> None:
    time, cause = columns(rows)
    found = aalen_johansen(time, cause)
    total = sum(found.incidence.values(), np.zeros(found.times.size))
    np.testing.assert_allclose(total, 1 - found.survival, atol=1e-12)  # the parts are the whole
    for k, curve in found.incidence.items():
        alone = kaplan_meier(time, cause == k)
        naive = np.array([1 - alone.at(t).estimate for t in found.times])
        assert (curve <= naive + 1e-12).all()  # 1 - KM per cause overstates
        known = ~np.isnan(found.low[k])
        assert (found.low[k][known] <= curve[known]).all() and (curve[known] <= found.high[k][known]).all()


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # the oracle divides by zero where all at risk have an event
@given(competing)
def test_cumulative_incidence_agrees_with_statsmodels(rows: list[tuple[int, int]]) -> None:
    time, cause = columns(rows)
    if set(cause) - {0} != {1, 2, 3}:
        cause, time = np.append(cause, [1, 2, 3, 0]), np.append(time, [1, 2, 3, 9])
    found, oracle = aalen_johansen(time, cause), CumIncidenceRight(time, cause)
    for k in (1, 2, 3):
        np.testing.assert_allclose(found.incidence[k], oracle.cinc[k - 1], atol=1e-12)
        finite = np.isfinite(oracle.cinc_se[k - 1])
        np.testing.assert_allclose(found.se[k][finite], oracle.cinc_se[k - 1][finite], atol=1e-7)


def test_one_kind_of_event_is_kaplan_meier_with_greenwoods_error() -> None:
    time, event = [1, 2, 2, 3, 5, 6, 6, 8], [1, 1, 0, 1, 0, 1, 0, 0]
    found, km = aalen_johansen(time, event), kaplan_meier(time, event)
    at = np.searchsorted(found.times, km.times)
    np.testing.assert_allclose(found.incidence[1][at], 1 - km.survival)
    np.testing.assert_allclose(found.se[1][at], km.se)
    assert found.at(0.5, 1).estimate == 0 and found.at(0.5, 1).at_risk == 8
    assert found.at(2, 1).estimate == pytest.approx(1 - km.at(2).estimate) and found.at(2, 1).at_risk == 7
    assert found.at(9, 1) is None
    with pytest.raises(ValueError, match="one cause"):
        aalen_johansen([1], [-1])


@given(st.lists(st.tuples(st.integers(1, 6), st.booleans()), min_size=1, max_size=12))
def test_turnbull_with_exact_times_is_kaplan_meier(rows: list[tuple[int, bool]]) -> None:
    time, event = columns(rows)
    found = turnbull(time, np.where(event, time, np.inf), tolerance=1e-9)
    km = kaplan_meier(time, event)
    for t in km.times:
        low, high = found.survival_bounds(t)
        assert low == pytest.approx(km.at(t).estimate, abs=1e-4) == high
    assert found.mass.sum() == pytest.approx(1) and found.converged


def test_turnbull_by_hand() -> None:
    # Two seen in (0, 2], one in (1, 3]: all mass fits into (1, 2], where all three overlap.
    found = turnbull([0, 0, 1], [2, 2, 3])
    assert (found.left.tolist(), found.right.tolist(), found.mass.tolist()) == ([1], [2], [1])
    assert found.survival_bounds(1) == (1, 1) and found.survival_bounds(1.5) == (0, 1)
    # (0, 1] and (1, 2] touch but do not overlap: the first ends where the second opens.
    apart = turnbull([0, 1], [1, 2])
    assert apart.mass == pytest.approx([0.5, 0.5]) and apart.loglik == pytest.approx(2 * np.log(0.5))
    assert turnbull([], []).mass.size == 0
    with pytest.raises(ValueError, match="left not after right"):
        turnbull([2], [1])


@given(
    st.lists(
        st.tuples(st.integers(0, 5), st.integers(1, 4), st.booleans()).map(
            lambda r: (float(r[0]), np.inf if r[2] else float(r[0] + r[1]))
        ),
        min_size=1,
        max_size=8,
    )
)
def test_no_other_masses_are_likelier_than_turnbulls(rows: list[tuple[float, float]]) -> None:
    left, right = columns(rows)
    found = turnbull(left, right)
    assert found.converged and found.mass.sum() == pytest.approx(1)
    inside = (left[:, None] <= found.left) & (found.right <= right[:, None])
    # Moving a little mass from any interval to any other does not raise the likelihood.
    for i, j in itertools.permutations(range(found.mass.size), 2):
        moved = found.mass.copy()
        step = min(moved[i], 1e-3)
        moved[i], moved[j] = moved[i] - step, moved[j] + step
        with np.errstate(divide="ignore"):
            assert np.log(inside @ moved).sum() <= found.loglik + len(rows) * 1e-6


def test_two_groups_leave_one_degree_of_freedom_whatever_rounding_does() -> None:
    """R's survdiff: chi-square 4 on 1 degree of freedom, p 0.0455. Rounding had made it 2, and the p-value 0.135."""
    found = logrank([6, 7, 11, 14, 15], [1, 0, 1, 1, 0], [1, 0, 0, 0, 0])
    assert (found.df, found.chi2, found.p) == (1, pytest.approx(4), pytest.approx(0.0455, abs=5e-5))
    rng = np.random.default_rng(1)
    for _ in range(300):
        n, groups = int(rng.integers(3, 12)), int(rng.integers(2, 5))
        found = logrank(np.ceil(rng.exponential(8, n)), rng.random(n) < 0.5, rng.integers(0, groups, n))
        assert found.df < len(found.groups)
