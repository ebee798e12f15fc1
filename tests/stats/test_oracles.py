"""Second opinions by Hypothesis where a function had none: SciPy, statsmodels, or the formula summed one by one.

| function | oracle | here or in |
| --- | --- | --- |
| wilson, clopper_pearson, newcombe_difference | statsmodels; SciPy beta | test_proportions |
| design_effect, clustered_wilson | sums over clusters | test_proportions |
| garwood, rate_ratio_exact | SciPy chi2, binomtest; statsmodels | test_rates |
| mean_interval | SciPy t | test_amounts |
| median_ranks, summary | SciPy binom; NumPy | test_times |
| summary | SciPy mquantiles (type 7) | here |
| kaplan_meier, logrank, aalen_johansen | statsmodels; SciPy ecdf | test_survival |
| median_interval of a survival curve | statsmodels quantile_ci | here |
| logrank of groups that never meet; limits of aalen_johansen | the formula | here |
| discrete_hazard | Kaplan-Meier | test_survival |
| turnbull | Kaplan-Meier; no mass moved is likelier | test_survival |
| turnbull | self-consistency, intervals found by trying all pairs | here |
| event_by | counts and Wilson; published masses of Turnbull; simulated curves | test_unseen |
| spline, fit | R survreg; SciPy minimize; their own basis | test_values_unseen, test_unseen |
| discrete_weibull | SciPy fits of chosen samples | test_discrete_weibull |
| discrete_weibull | likelihood by SciPy, nothing near is likelier, censored and tied samples | here |
| mantel_haenszel (odds), breslow_day, crude | statsmodels | test_stratified |
| mantel_haenszel (risk difference) | the sums in exact fractions | here |
| clustered_ratio | statsmodels | test_risk_ratio |
| standardised, standardised_difference | by hand, simulation | test_stratified, test_standardised_difference |
| gee_logistic | the estimating equations and both sandwich errors, cluster by cluster | here |
| benjamini_hochberg, holm, bonferroni, power_* | SciPy; statsmodels | test_power |
| binomial_steps | SciPy binom | test_funnel, test_funnel_steps |
| additive_limits, overdispersion | SciPy norm; sums one by one | here |
| p_chart, u_chart, laney, individuals, t_chart | the formula month by month | here |
| g_chart, anhoej | SciPy geom, binom; counted one by one | test_process |
| cusum, weights, fitted_risk | the recursion; SciPy minimize | test_cusum, measures/test_process_cusum |
| gamma_prior, beta_prior | likelihood; the prior that was put in | test_shrinkage |
| gamma_poisson, beta_binomial | SciPy posteriors | here |
| count_prediction, dispersion | SciPy binom; statsmodels | test_forecast |
| adjusted_ratios, median_ratio, weighted_share | statsmodels | test_log_time, test_weighting |

Fisher's exact test of a table has no function here: exact comparisons are those of two rates (conditional binomial).
"""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import pairwise
from statistics import mean
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.stats.mstats import mquantiles
from statsmodels.duration.survfunc import SurvfuncRight

from pipeline.stats import funnel, process, shrinkage
from pipeline.stats.clustering import FEW_CLUSTERS, gee_logistic
from pipeline.stats.competing import aalen_johansen
from pipeline.stats.discrete_weibull import discrete_weibull
from pipeline.stats.logrank import logrank
from pipeline.stats.stratified import mantel_haenszel
from pipeline.stats.survival import kaplan_meier, turnbull
from pipeline.stats.times import summary

few = settings(max_examples=40)


def columns(rows: list[tuple]) -> tuple[np.ndarray, ...]:
    return tuple(np.array(c) for c in zip(*rows, strict=True))


@given(st.lists(st.integers(0, 90), min_size=1, max_size=30))
def test_quantiles_are_of_type_7(values: list[int]) -> None:
    found = summary(values)
    expected = mquantiles(values, [0.25, 0.5, 0.75, 0.9], alphap=1.0, betap=1.0)
    assert [found.q1, found.median, found.q3, found.p90] == pytest.approx(expected.tolist(), abs=1e-9)


subjects = st.lists(st.tuples(st.integers(1, 12), st.booleans()), min_size=1, max_size=40)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # the oracle divides by zero where survival is 1 or 0
@given(subjects)
def test_interval_of_the_median_agrees_with_statsmodels(rows: list[tuple[int, bool]]) -> None:
    time, event = columns(rows)
    km = kaplan_meier(time, event)
    # Where survival falls to 0 the limits are not defined there; statsmodels takes the last time for the upper one.
    assume(km.times.size and km.survival[-1] > 0)
    # An upper limit of just one half is a matter of rounding.
    assume(np.abs(np.concatenate([km.low, km.high]) - 0.5).min() > 1e-9)
    low, high = SurvfuncRight(time, event.astype(int)).quantile_ci(0.5, method="cloglog")
    ours = km.median_interval()
    assert (math.inf if ours[0] is None else ours[0]) == (math.inf if not np.isfinite(low) else low)
    assert (math.inf if ours[1] is None else ours[1]) == (math.inf if not np.isfinite(high) else high)


grouped = st.lists(st.tuples(st.integers(1, 6), st.booleans(), st.sampled_from("abc")), min_size=1, max_size=25)


@given(grouped)
def test_expected_events_of_the_logrank_test_one_by_one(rows: list[tuple[int, bool, str]]) -> None:
    found = logrank(*columns(rows))
    expected = dict.fromkeys(found.groups, 0.0)
    for t in {time for time, event, _ in rows if event}:
        risk = [g for time, _, g in rows if time >= t]
        died = sum(time == t and event for time, event, _ in rows)
        for g in expected:
            expected[g] += died * risk.count(g) / len(risk)
    assert found.expected == pytest.approx(list(expected.values()), abs=1e-9)
    if len(found.groups) == 1 or not any(event for _, event, _ in rows):
        assert (found.chi2, found.p, found.df) == (None, None, 0)


@given(st.lists(st.tuples(st.integers(1, 8), st.integers(0, 2)), min_size=1, max_size=25))
def test_competing_events_one_by_one(rows: list[tuple[int, int]]) -> None:
    time, cause = columns(rows)
    found = aalen_johansen(time, cause, 0.9)
    z = stats.norm.ppf(0.95)
    for k, curve in found.incidence.items():
        still, total = 1.0, 0.0
        for i, t in enumerate(found.times):
            n = int((time >= t).sum())
            total += still * ((time == t) & (cause == k)).sum() / n
            still *= 1 - ((time == t) & (cause > 0)).sum() / n
            assert curve[i] == pytest.approx(total, abs=1e-12)
            if 0 < total < 1 - 1e-9:
                # The interval of ln(-ln I), turned back.
                error = found.se[k][i] / (total * abs(math.log(total)))
                middle = math.log(-math.log(total))
                limits = [math.exp(-math.exp(middle + sign * z * error)) for sign in (1, -1)]
                assert [found.low[k][i], found.high[k][i]] == pytest.approx(limits, abs=1e-9)


seen_between = st.tuples(st.integers(0, 6), st.integers(0, 4), st.booleans()).map(
    lambda r: (float(r[0]), math.inf if r[2] else float(r[0] + r[1]))
)


@given(st.lists(seen_between, min_size=1, max_size=12))
def test_turnbull_is_self_consistent_on_intervals_found_by_trying_all(rows: list[tuple[float, float]]) -> None:
    found = turnbull(*columns(rows))

    def holds(at: float) -> frozenset[int]:
        """Who may have had the event at that place; an exact time is a place of its own."""
        return frozenset(i for i, (a, b) in enumerate(rows) if a < at <= b or a == b == at)

    # Whole times and the places between them stand for all places; the largest sets of subjects carry the mass.
    places = [p / 2 for p in range(26)]
    sets = {holds(p) for p in places} - {frozenset()}
    largest = {s for s in sets if not any(s < other for other in sets)}
    theirs = [
        holds(high) if low == high else frozenset(i for i, (a, b) in enumerate(rows) if a <= low and high <= b)
        for low, high in zip(found.left.tolist(), found.right.tolist(), strict=True)
    ]
    assert set(theirs) == largest and len(theirs) == len(largest)
    # Self-consistency (Turnbull 1976): each mass is the mean of what the subjects attribute to it.
    table = np.array([[i in s for s in theirs] for i in range(len(rows))], dtype=float)
    share = table * found.mass / (table @ found.mass)[:, None]
    assert found.mass == pytest.approx(share.mean(axis=0), abs=2e-3)
    assert (table / (table @ found.mass)[:, None]).mean(axis=0).max() <= 1 + 1.1e-6
    assert found.loglik == pytest.approx(float(np.log(table @ found.mass).sum()))


def assert_nothing_near_is_likelier(loglik: Any, shape: float, scale: float, found: float) -> None:
    assert loglik(shape, scale) == pytest.approx(found, rel=1e-9, abs=1e-8)
    for factor in (0.999, 1.001):
        for other in ((shape * factor, scale), (shape, scale * factor), (shape * factor, scale * factor)):
            assert loglik(*other) <= found + 1e-7


lives = st.lists(st.tuples(st.integers(1, 15), st.booleans()), min_size=1, max_size=30)


@few
@given(lives)
def test_discrete_weibull_is_the_likeliest(rows: list[tuple[int, bool]]) -> None:
    uses, event = columns(rows)
    found = discrete_weibull(uses, event)
    if np.unique(uses[event]).size < 2:
        assert found is None
    if found is None:  # also where the likelihood has no maximum
        return

    def loglik(shape: float, scale: float) -> float:
        life = stats.weibull_min(shape, scale=scale)
        inside = life.sf(uses[event] - 1) - life.sf(uses[event])
        with np.errstate(divide="ignore"):
            return float(np.log(inside).sum() + life.logsf(uses[~event]).sum())

    assert_nothing_near_is_likelier(loglik, found.shape, found.scale, found.loglik)


cell = st.integers(0, 20)
tables = st.lists(st.tuples(st.tuples(cell, cell), st.tuples(cell, cell)), min_size=1, max_size=6)


@given(tables)
def test_pooled_risk_difference_in_exact_fractions(strata: list) -> None:
    found = mantel_haenszel(strata, 0.95)
    top = weight = skew = unlike = Fraction(0)
    for (a, b), (c, d) in strata:
        n1, n0 = a + b, c + d
        if n1 and n0:
            n = n1 + n0
            top += Fraction(a * n0 - c * n1, n)
            weight += Fraction(n1 * n0, n)
            skew += Fraction(2 * n1**2 * c - 2 * n0**2 * a + n1 * n0 * (n0 - n1), 2 * n**2)
            unlike += Fraction(a * (n0 - c) + c * (n1 - a), 2 * n)
    if not weight:
        assert found.risk_difference is None
        return
    difference = float(top / weight)
    assert found.risk_difference == pytest.approx(difference, abs=1e-12)
    variance = top / weight * skew + unlike  # Sato 1989
    assert variance >= 0
    if not variance:
        assert found.difference_low is None and found.difference_high is None
        return
    half = stats.norm.ppf(0.975) * math.sqrt(variance) / float(weight)
    assert found.difference_low == pytest.approx(max(difference - half, -1), abs=1e-9)
    assert found.difference_high == pytest.approx(min(difference + half, 1), abs=1e-9)


@settings(max_examples=30)
@given(st.integers(8, 80), st.integers(0, 10_000))
def test_gee_solves_its_equations_and_both_errors_are_the_sandwich(patients: int, seed: int) -> None:
    """Liang and Zeger 1986 and, below forty clusters, Mancl and DeRouen 2001, summed cluster by cluster."""
    rng = np.random.default_rng(seed)
    code = np.repeat(np.arange(patients), rng.integers(1, 5, patients))
    x = np.column_stack([rng.integers(0, 2, code.size), rng.normal(size=code.size)])
    logit = 0.3 + 0.6 * x[:, 0] - 0.3 * x[:, 1] + rng.normal(0, 1, patients)[code]
    y = (rng.random(code.size) < 1 / (1 + np.exp(-logit))).astype(float)
    found = gee_logistic(y, x, code, ["exposed", "score"])
    assume(found is not None)
    assert found is not None and found.few_clusters == (patients < FEW_CLUSTERS)
    design = np.column_stack([np.ones(code.size), x])
    mu = 1 / (1 + np.exp(-design @ found.coefficient))
    parts = []
    for patient in range(patients):
        own = code == patient
        slope, residual = design[own] * (mu[own] * (1 - mu[own]))[:, None], y[own] - mu[own]
        sd = np.sqrt(mu[own] * (1 - mu[own]))
        alike = np.full((sd.size, sd.size), found.alpha) + (1 - found.alpha) * np.eye(sd.size)
        parts.append((slope, residual, np.linalg.inv(alike * np.outer(sd, sd))))
    score = sum(d.T @ inverse @ r for d, r, inverse in parts)
    bread = np.linalg.inv(sum(d.T @ inverse @ d for d, _, inverse in parts))
    # The correlation is updated once more after the last step of the coefficients: nearly, not exactly, 0.
    assert bread @ score == pytest.approx(np.zeros(3), abs=2e-3)
    meat = np.zeros((3, 3))
    for d, r, inverse in parts:
        leverage = d @ bread @ d.T @ inverse
        own = np.linalg.solve(np.eye(r.size) - leverage, r) if found.few_clusters else r
        s = d.T @ inverse @ own
        meat += np.outer(s, s)
    assert found.se == pytest.approx(np.sqrt(np.diag(bread @ meat @ bread)), rel=5e-3)


@given(st.floats(0.01, 0.99), st.integers(1, 400), st.floats(0, 0.02))
def test_additive_limits_are_normal_quantiles(target: float, n: int, tau2: float) -> None:
    sd = math.sqrt(target * (1 - target) / n + tau2)
    expected = np.clip(stats.norm.ppf(funnel.PROBABILITIES, target, sd), 0, 1)
    assert funnel.additive_limits(target, n, tau2)[0] == pytest.approx(expected, abs=1e-9)


@given(st.lists(st.tuples(st.integers(0, 40), st.floats(0, 1)), min_size=1, max_size=20))
def test_overdispersion_one_by_one(rows: list[tuple[int, float]]) -> None:
    events, n = [round(size * share) for size, share in rows], [size for size, _ in rows]
    found = funnel.overdispersion(events, n)
    kept = [(x, size) for x, size in zip(events, n, strict=True) if size]
    if not kept:
        assert (found.target, found.phi, found.usable) == (None, None, False)
        return
    p = sum(x for x, _ in kept) / sum(size for _, size in kept)
    assert found.target == pytest.approx(p)
    if p in (0, 1):
        assert (found.phi, found.tau2, found.usable) == (None, None, False)
        return
    z = [(x / size - p) / math.sqrt(p * (1 - p) / size) for x, size in kept]
    low, high = (float(mquantiles(z, [q], alphap=1, betap=1)[0]) for q in (0.1, 0.9))
    phi = mean(min(max(v, low), high) ** 2 for v in z)
    assert found.phi == pytest.approx(phi, abs=1e-9)
    w = [size / (p * (1 - p)) for _, size in kept]
    spare = sum(w) - sum(v * v for v in w) / sum(w)
    tau2 = max((len(w) * phi - (len(w) - 1)) / spare, 0) if len(w) > 1 else 0
    assert found.tau2 == pytest.approx(tau2, rel=1e-6, abs=1e-9)


months = st.lists(st.tuples(st.integers(0, 60), st.floats(0, 1)), min_size=1, max_size=20)


@pytest.mark.parametrize("kind", ["p", "u"])
@given(months)
def test_charts_of_shares_and_rates_month_by_month(kind: str, rows: list[tuple[int, float]]) -> None:
    """Shewhart's limits and Laney's (Qual Eng 2002;14:531-537), each month by itself; months without units are none."""
    n = [size for size, _ in rows]
    x = [round(size * share) for size, share in rows]
    plain = process.p_chart(x, n) if kind == "p" else process.u_chart(x, n)
    wide = process.laney(x, n, "p" if kind == "p" else "u")
    months_with = [i for i, size in enumerate(n) if size]
    if not months_with:
        assert plain.centre is None and np.isnan(plain.high).all()
        return
    centre = sum(x) / sum(n)
    variance = centre * (1 - centre) if kind == "p" else centre
    assert plain.centre == wide.centre == pytest.approx(centre)
    factor = 1.0
    if len(months_with) > 1 and variance > 0:
        z = [(x[i] / n[i] - centre) / math.sqrt(variance / n[i]) for i in months_with]
        factor = mean(abs(b - a) for a, b in pairwise(z)) / (2 / math.sqrt(math.pi))
        assert wide.sigma_z == pytest.approx(factor, abs=1e-9)
    else:
        assert wide.sigma_z is None
    for chart, times in ((plain, 1.0), (wide, factor)):
        for i, size in enumerate(n):
            if not size:
                assert np.isnan([chart.values[i], chart.low[i], chart.high[i]]).all()
                continue
            reach = 3 * times * math.sqrt(variance / size)
            for limit, expected, possible in (
                (chart.low[i], centre - reach, centre - reach >= 0),
                (chart.high[i], centre + reach, kind == "u" or centre + reach <= 1),
            ):
                if abs(expected) > 1e-9 and abs(expected - 1) > 1e-9:  # just on the edge of the possible: rounding
                    assert limit == pytest.approx(expected, abs=1e-9) if possible else np.isnan(limit)


@given(st.lists(st.floats(0.01, 500), max_size=25))
def test_t_chart_is_individuals_of_the_transformed_gaps(gaps: list[float]) -> None:
    """Nelson 1994: times to the power 1/3.6, mean and 2.66 mean moving ranges, and back."""
    found = process.t_chart(gaps)
    y = [gap ** (1 / 3.6) for gap in gaps]
    if len(y) < 2:
        assert (found.low, found.high, found.mean_range) == (None, None, None)
        return
    middle = mean(y)
    moving = mean(abs(b - a) for a, b in pairwise(y))
    reach = 3 * moving / (2 / math.sqrt(math.pi))
    assert (found.mean, found.mean_range) == pytest.approx((middle, moving), abs=1e-9)
    assert found.centre == pytest.approx(middle**3.6) and found.high == pytest.approx((middle + reach) ** 3.6)
    if abs(middle - reach) > 1e-9:
        assert found.low == (None if middle < reach else pytest.approx((middle - reach) ** 3.6))


@given(st.integers(0, 40), st.integers(0, 40), st.floats(0.1, 20), st.floats(0.1, 20))
def test_shrunk_figures_are_means_of_the_posterior(x: int, more: int, a: float, b: float) -> None:
    share = shrinkage.beta_binomial(x, x + more, shrinkage.BetaPrior(a, b))
    assert share == pytest.approx(stats.beta(a + x, b + more).mean())
    rate = shrinkage.gamma_poisson(x, more, shrinkage.GammaPrior(a, b))
    assert rate == pytest.approx(stats.gamma(a + x, scale=1 / (1 / b + more)).mean())
