"""Several units of one patient: nothing changes with one a patient, nothing is ever gained by several."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from pipeline.stats import amounts, proportions, rates, times
from pipeline.stats.competing import aalen_johansen
from pipeline.stats.logrank import logrank
from pipeline.stats.risk_ratio import clustered_ratio
from pipeline.stats.risk_sets import event_free
from pipeline.stats.survival import kaplan_meier
from pipeline.stats.weighting import weighted_share

subjects = st.lists(st.tuples(st.integers(0, 12), st.booleans(), st.integers(0, 4)), min_size=2, max_size=40)
Subjects = list[tuple[int, bool, int]]


def columns(rows: Subjects) -> tuple[np.ndarray[Any, Any], ...]:
    return tuple(np.array(column) for column in zip(*rows, strict=True))


@given(rows=subjects)
def test_one_a_patient_is_greenwood_exactly(rows: Subjects) -> None:
    time, event, _ = columns(rows)
    plain, alone = kaplan_meier(time, event), kaplan_meier(time, event, cluster=np.arange(time.size)[::-1])
    for name in ("survival", "se", "low", "high"):
        np.testing.assert_array_equal(getattr(plain, name), getattr(alone, name))
    np.testing.assert_array_equal(alone.se, alone.se_clustered)
    cause = np.where(event, 1 + time % 2, 0)
    incidence, own = aalen_johansen(time, cause), aalen_johansen(time, cause, cluster=np.arange(time.size))
    for k in incidence.incidence:
        np.testing.assert_array_equal(incidence.high[k], own.high[k])
    groups = time % 3
    assert logrank(time, event, groups) == logrank(time, event, groups, cluster=np.arange(time.size))


@given(rows=subjects)
def test_limits_are_never_narrower_than_those_of_independent_teeth(rows: Subjects) -> None:
    time, event, patient = columns(rows)
    plain, own = kaplan_meier(time, event), kaplan_meier(time, event, cluster=patient)
    if np.unique(patient).size > 1:
        assert np.all((own.low <= plain.low + 1e-12) | np.isnan(plain.low))
        assert np.all((own.high >= plain.high - 1e-12) | np.isnan(plain.high))
    for t in range(13):
        a, b = plain.at(t), own.at(t)
        if a is None or b is None:
            assert a is b
        elif b.low is not None and b.high is not None and a.low is not None and a.high is not None:
            assert b.low <= a.low + 1e-12 and a.high <= b.high + 1e-12
            assert b.low <= b.estimate <= b.high


@given(rows=subjects, copies=st.integers(2, 4))
def test_teeth_that_are_copies_count_once(rows: Subjects, copies: int) -> None:
    """The error is that of one tooth a patient; only Student's t and m / (m - 1) come on top where patients are few."""
    time, event, _ = columns(rows)
    one = kaplan_meier(time, event)
    many = kaplan_meier(*(np.tile(v, copies) for v in (time, event)), cluster=np.tile(np.arange(time.size), copies))
    few = np.sqrt(time.size / (time.size - 1)) if time.size < 40 else 1.0
    np.testing.assert_allclose(many.se_clustered, one.se * few, atol=1e-9)


def test_the_error_is_that_of_leaving_out_each_patient() -> None:
    """Oracle: the jackknife over patients, of Kaplan-Meier, of incidences and of two risk sets."""
    rng = np.random.default_rng(0)
    m = 80
    who = np.repeat(np.arange(m), 3)
    frailty = np.exp(rng.normal(0, 1, m))[who]
    loss, again = (np.ceil(rng.exponential(mean / frailty) * 2) / 2 for mean in (20, 25))
    seen, until = np.ceil(rng.uniform(4, 30, who.size)), 24.0
    cause = np.where(np.minimum(loss, again) > seen, 0, np.where(loss <= again, 1, 2))
    time = np.minimum(np.minimum(loss, again), seen)

    def incidence(kept: Any) -> float:
        at = aalen_johansen(time[kept], cause[kept]).at(8, 1)
        assert at is not None
        return at.estimate

    own = aalen_johansen(time, cause, cluster=who)
    place = np.searchsorted(own.times, 8, side="right") - 1
    assert own.se_clustered[1][place] == pytest.approx(_jackknife(incidence, who), rel=0.03)

    def rows(kept: Any) -> tuple[Any, ...]:
        first = np.minimum(loss, again)
        ends = [np.minimum(first, until), np.minimum(first, seen)]
        events = [(again < loss) & (again <= until), (loss <= again) & (loss <= seen)]
        unit = np.arange(who.size)[kept]
        kinds = np.repeat([0, 1], unit.size)
        pair = [np.concatenate([v[0][kept], v[1][kept]]) for v in (ends, events)]
        return (*pair, kinds, [0, 1], np.tile(unit, 2))

    def log_free(kept: Any) -> float:
        at = event_free(*rows(kept)).at(8)
        assert at is not None
        return float(np.log(at.estimate))

    at = event_free(*rows(slice(None)), cluster=np.tile(who, 2)).at(8)
    assert at is not None and at.low is not None
    spread = np.log(np.log(at.low) / np.log(at.estimate)) * abs(np.log(at.estimate)) / 1.959964
    assert spread == pytest.approx(_jackknife(log_free, who), rel=0.03)


def _jackknife(figure: Any, who: Any) -> float:
    m = int(who.max()) + 1
    out = np.array([figure(who != one) for one in range(m)])
    return float(np.sqrt((m - 1) / m * ((out - out.mean()) ** 2).sum()))


@given(rows=subjects)
def test_one_risk_set_is_kaplan_meier(rows: Subjects) -> None:
    time, event, patient = columns(rows)
    plain = kaplan_meier(time, event, cluster=patient)
    own = event_free(time, event, np.zeros(time.size), [0], np.arange(time.size), cluster=patient)
    np.testing.assert_array_equal(own.times, plain.times)
    np.testing.assert_allclose(own.survival, plain.survival, atol=1e-12)
    for t in range(13):
        a, b = own.at(t), plain.at(t)
        assert (a is None) == (b is None)
        if a is not None and b is not None:
            assert a.at_risk == b.at_risk
            assert (a.low, a.high) == (pytest.approx(b.low), pytest.approx(b.high))


def test_each_event_is_a_share_of_those_watched_for_it() -> None:
    """By hand: 1 of 4 treated again at 2, then 1 of 2 lost at 3, of whom one is still watched for retreatment alone."""
    time, event = [2, 5, 3, 5, 5, 3, 4], [1, 0, 0, 0, 0, 1, 0]
    kind, unit = [0, 0, 0, 0, 1, 1, 1], [0, 1, 2, 3, 1, 2, 3]
    found = event_free(time, event, kind, [0, 1], unit)
    assert [a.estimate for t in (1, 2, 3) if (a := found.at(t))] == [1, pytest.approx(3 / 4), pytest.approx(1 / 2)]
    assert [a.at_risk for t in (1, 4) if (a := found.at(t))] == [3, 2]
    assert found.at(5.5) is None and found.last == 5
    nobody = event_free([3, 4], [0, 0], [0, 0], [0, 1], [0, 1])
    assert nobody.at(0) is None and nobody.last is None


def test_nobody_yet_is_told_by_the_patients_left() -> None:
    curve = kaplan_meier([5, 5, 5, 5, 2], [0, 0, 0, 0, 0], cluster=[1, 1, 2, 3, 4])
    at = curve.at(4)
    assert at is not None
    assert (at.low, at.high) == (pytest.approx(0.025 ** (1 / 3)), 1)
    one = kaplan_meier([5, 5], [0, 0], cluster=[1, 1]).at(1)
    assert one is not None and (one.estimate, one.low, one.high) == (1, None, None)
    none = aalen_johansen([5, 5, 5, 2], [0, 0, 0, 2]).at(4, 1)
    assert none is not None and (none.estimate, none.low) == (0, 0)
    assert none.high == pytest.approx(1 - 0.025 ** (1 / 3))


def test_a_whole_side_in_one_patient_is_no_verdict() -> None:
    """28 lost teeth of one patient against 200 patients: an independent test would be sure."""
    time = np.concatenate([np.full(28, 5.0), np.full(200, 10.0)])
    event = np.concatenate([np.ones(28), np.arange(200) % 10 == 0])
    side, patient = np.arange(228) < 28, np.concatenate([np.zeros(28), np.arange(1, 201)])
    plain, own = logrank(time, event, side), logrank(time, event, side, cluster=patient)
    assert plain.p is not None and plain.p < 1e-6
    assert (own.p, own.clusters) == (None, [200, 1])


@given(rows=st.lists(st.tuples(st.integers(1, 60), st.integers(0, 6)), min_size=1, max_size=60))
def test_medians_of_visits_of_a_patient(rows: list[tuple[int, int]]) -> None:
    minutes, patient = (np.array(v) for v in zip(*rows, strict=True))
    plain, alone = times.summary(minutes), times.summary(minutes, cluster=np.arange(minutes.size))
    assert plain == alone
    own = times.summary(minutes, cluster=patient)
    assert (own.median, own.q1) == (plain.median, plain.q1)
    if own.low is not None and own.high is not None:
        assert plain.low is not None and plain.high is not None
        assert own.low <= plain.low <= plain.high <= own.high
    assert times.median_design_effect(minutes, patient) >= 1


def test_visits_that_are_copies_count_once() -> None:
    minutes = np.random.default_rng(1).lognormal(4, 0.5, 60)
    one = times.summary(minutes)
    many = times.summary(np.repeat(minutes, 4), cluster=np.repeat(np.arange(60), 4))
    assert one.low is not None and many.low is not None and one.high is not None and many.high is not None
    ranks = [np.searchsorted(np.sort(minutes), v) for v in (one.low, many.low, one.high, many.high)]
    assert abs(ranks[0] - ranks[1]) <= 1 and abs(ranks[2] - ranks[3]) <= 1
    equal = times.summary(np.full(24, 30.0), cluster=np.repeat(np.arange(4), 6))
    assert (equal.median, equal.low) == (30, None)  # four patients are fewer than six


clusters = st.lists(st.tuples(st.integers(0, 5), st.integers(1, 6)), min_size=2, max_size=60)


@given(rows=clusters)
def test_an_effective_n_is_never_above_n(rows: list[tuple[int, int]]) -> None:
    y, n = (np.array(v, dtype=float) for v in zip(*rows, strict=True))
    sums = (y.size, (y * y).sum(), (y * n).sum(), (n * n).sum())
    low, high = rates.clustered_garwood(y.sum(), n.sum(), n.sum(), *sums)
    plain_low, plain_high = rates.garwood(y.sum(), n.sum())
    assert low <= plain_low + 1e-12 and plain_high <= high + 1e-12
    within = np.minimum(y, n)
    sums = (y.size, (within**2).sum(), (within * n).sum(), (n * n).sum())
    low, high = proportions.clustered_wilson(within.sum(), n.sum(), *sums)
    plain_low, plain_high = proportions.wilson(within.sum(), n.sum())
    assert low <= plain_low + 1e-12 and plain_high <= high + 1e-12


def test_rates_of_single_canals_are_garwoods() -> None:
    y = np.array([0, 1, 0, 0, 1.0])
    found = rates.clustered_garwood(2, 5, 5, 5, (y * y).sum(), y.sum(), 5)
    assert [float(v) for v in found] == [float(v) for v in rates.garwood(2, 5)]
    # Four canals alike in each of 50 patients, 10 of whom had a separation in every one: a quarter counts, and less as
    # no more than these ten tell how alike canals are (Student's t, 9 degrees of freedom: 2.262 from a table).
    y = np.repeat([4.0, 0.0], [10, 40])
    low, _ = rates.clustered_garwood(40, 200, 200, 50, (y * y).sum(), (4 * y).sum(), 50 * 16)
    effect = 50 / 49 * ((y - 0.8) ** 2).sum() / 40 * (2.262157 / 1.959964) ** 2
    assert low == pytest.approx(rates.garwood(40 / effect, 200 / effect)[0])
    # All canals are one patient's: one event in five canals.
    assert rates.clustered_garwood(2, 10, 10, 1, 4, 20, 100)[1] == pytest.approx(rates.garwood(1, 5)[1])


def test_few_patients_cost_more() -> None:
    """Student's t: with 5 patients of 4 teeth each (t / z) ** 2 = (2.776 / 1.960) ** 2 = 2.007 on top."""
    y, n = np.array([1, 2, 1, 2, 2.0]), np.full(5, 4.0)
    sums = (5, (y * y).sum(), (y * n).sum(), (n * n).sum())
    assert proportions.design_effect(8, 20, *sums) == 1
    assert proportions.effective_divisor(8, 20, *sums) == pytest.approx(2.0066, abs=1e-3)
    assert proportions.effective_divisor(8, 20, 1, 64, 160, 400) == 20  # all teeth are one patient's
    assert proportions.effective_divisor(8, 20, 20, 8, 8, 20) == 1  # one tooth a patient


def test_means_never_gain_by_clusters_and_equal_amounts_tell_nothing() -> None:
    x, who = np.array([1, 3, 1, 3, 1, 3.0]), np.array([0, 0, 1, 1, 2, 2])
    y, n = np.bincount(who, weights=x), np.bincount(who)
    sums = (x.sum(), x.size, (y * y).sum(), 3, (y * n).sum(), (n * n).sum())
    _, low, high = amounts.mean_interval(*sums, 0.95, (x * x).sum())
    assert np.isnan(amounts.mean_interval(*sums)[1])  # each patient's mean is 2
    assert high - low == pytest.approx(
        2 * 4.3027 * np.sqrt(1.2 / 6), rel=1e-4
    )  # spread of the six, t of three patients
    _, low, high = amounts.mean_interval(10, 5, 20)
    assert np.isnan(low) and np.isnan(high)


def test_ratio_of_canals_of_single_patients_is_greenland_and_robins() -> None:
    rng = np.random.default_rng(3)
    stratum, exposed = rng.integers(0, 3, 600), rng.integers(0, 2, 600)
    event = rng.random(600) < 0.2 + 0.1 * exposed
    tables = np.zeros((3, 2, 2))
    np.add.at(tables, (stratum, 1 - exposed, 1 - event.astype(int)), 1)
    own = clustered_ratio(stratum, exposed, np.arange(600), event, np.ones(600))
    (a, c), (n1, n0) = tables[:, :, 0].T, tables.sum(axis=2).T
    n, sums = n1 + n0, (a * n0 / (n1 + n0)).sum() * (c * n1 / (n1 + n0)).sum()
    se = np.sqrt((((a + c) * n1 * n0 - a * c * n) / n**2).sum() / sums)  # their formula for the logarithm
    log_ratio = np.log((a * n0 / n).sum() / (c * n1 / n).sum())
    limits = np.exp(log_ratio + np.array([0, -1, 1]) * 1.959963984540054 * se)
    p = 2 * norm.sf(abs(log_ratio) / se)
    assert (own.ratio, own.low, own.high, own.p) == pytest.approx((*limits, p))
    assert own.p is not None and own.low is not None and (own.p < 0.05) == (own.low > 1)


def test_a_few_events_have_the_exact_limits_of_two_rates() -> None:
    """One stratum: those of rates.rate_ratio_exact, unless the others are wider."""
    exposed = np.repeat([1, 0], [40, 50])
    event = np.concatenate([np.arange(40) < 3, np.arange(50) < 2])
    found = clustered_ratio(np.zeros(90), exposed, np.arange(90), event, np.ones(90))
    exact = rates.rate_ratio_exact(3, 40, 2, 50)
    assert (found.ratio, found.low, found.high) == pytest.approx((exact.ratio, exact.low, exact.high), rel=1e-6)


def test_weighted_share_of_few_patients() -> None:
    rng = np.random.default_rng(5)
    who = np.repeat(np.arange(12), 5)
    seen = rng.random(60) < 0.7
    healed = seen & np.repeat(rng.random(12) < 0.6, 5)
    mark = rng.integers(0, 2, 60)
    own, apart = weighted_share(seen, healed, [mark], who), weighted_share(seen, healed, [mark])
    assert own.low is not None and apart.low is not None and own.high is not None and apart.high is not None
    assert own.high - own.low > 1.5 * (apart.high - apart.low)
