"""Events seen only at visits: bounds by hand, Turnbull's published masses, and what the curve must and must not do."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import minimize

from pipeline.stats.interval_censored import fit, spline
from pipeline.stats.proportions import clustered_wilson, wilson
from pipeline.stats.unseen import FEWEST_CLUSTERS, FEWEST_LOOKED, event_by
from tests.published.location_scale import location_scale

VALUES = Path(__file__).parents[1] / "published" / "check-values.json"
Bounds = tuple[np.ndarray, np.ndarray]


def cosmesis() -> Bounds:
    """Radiotherapy alone, 46 patients: Finkelstein and Wolfe, Biometrics 1985;41:933-945 (Beadle 1984)."""
    text = VALUES.read_text(encoding="utf-8")
    entries = json.loads(text)
    entries = entries if isinstance(entries, list) else entries["entries"]
    given = next(e for e in entries if e["id"] == "turnbull-cosmesis-rt")["inputs"]
    right = [np.inf if r in (None, "inf", "Infinity") else float(r) for r in given["right"]]
    return np.array(given["left"], dtype=float), np.array(right)


def looked_at(event: np.ndarray, visits: np.ndarray) -> Bounds:
    """What visits, shape (units, visits), tell of events."""
    before = visits < event[:, None]
    return np.where(before, visits, 0).max(axis=1), np.where(before, np.inf, visits).min(axis=1)


def weibull(rng: np.random.Generator, n: int) -> np.ndarray:
    """Half of it by 6 months (.53), as in teeth of which most heal in the first year."""
    return 7.6 * rng.weibull(1.2, n)


def of_units(answer: Any) -> list[np.ndarray]:
    names = ("estimate", "low", "high", "at_least", "at_most", "at_least_low", "at_most_high", "turnbull")
    return [getattr(answer, name) for name in names]


def test_the_published_masses_add_up_to_the_share_with_the_event() -> None:
    # (4, 5] .0463, (6, 7] .0334, (7, 8] .0887, (11, 12] .0708, (24, 25] .0926, (33, 34] .0818, (38, 40] .1209,
    # (46, 48] .4656: table in Fay and Shaw, J Stat Softw 2010;36(2), from memory.
    found = event_by(*cosmesis(), [4.5, 7.5, 12.0, 39.0, 45.0, 60.0])
    by_hand = [0.0463 / 2, 0.0797 + 0.0887 / 2, 0.2392, 0.4136 + 0.1209 / 2, 0.5345]
    assert found.turnbull[:5] == pytest.approx(by_hand, abs=2e-3)
    assert np.isnan(of_units(found)).all(axis=0).tolist() == [False] * 5 + [True], "nothing beyond the last visit"
    assert not found.differs.any()


def test_the_curve_of_few_is_near_the_weibull_of_the_reference() -> None:
    """weibull-ic-cosmesis-rt of check-values-2: one more term changes little."""
    found = event_by(*cosmesis(), [12, 24, 36])
    assert 1 - found.estimate == pytest.approx([0.8413645593, 0.6869246534, 0.5535076554], abs=0.02)


def test_bounds_are_counts() -> None:
    """5 of 20 seen healed by 12, 8 seen not healed at 12 or later, 7 open: at least 5/20, at most 12/20."""
    left = np.r_[np.zeros(5), np.full(8, 12.0), np.full(7, 3.0)]
    right = np.r_[np.full(5, 12.0), np.full(8, np.inf), np.full(7, np.inf)]
    found = event_by(left, right, [2, 12])
    assert found.at_least.tolist() == [0, 0.25]
    assert found.at_most == pytest.approx([5 / 20, 12 / 20]), "not healed at 3 or 12 was not healed at 2"
    assert found.at_least_low[1] == pytest.approx(float(wilson(5, 20)[0]))
    assert found.at_most_high[1] == pytest.approx(1 - float(wilson(8, 20)[0]))
    assert found.told_from == 3
    assert np.isnan([found.estimate[0], found.low[0], found.high[0], found.turnbull[0]]).all()
    # Two of a patient alike are as good as one.
    twice = event_by(left, right, [12], np.repeat(np.arange(10), 2))
    of_patients = np.r_[2, 2, 1, np.zeros(7)]
    low, _ = clustered_wilson(5, 20, 10, (of_patients**2).sum(), 2 * 5, 10 * 4)
    assert twice.at_least_low[0] == pytest.approx(float(low))


def test_nobody_healed_of_one_patient_says_little() -> None:
    found = event_by(np.full(10, 12.0), np.full(10, np.inf), [12.0], np.zeros(10))
    assert np.isnan(found.estimate[0])
    assert (found.low[0], found.high[0]) == (0, pytest.approx(1 - float(wilson(1, 1)[0])))


def test_nothing_is_told_before_the_first_visit() -> None:
    """Recalls at 11 to 14 months; truth .53 at 6 months, of which nobody can know."""
    rng = np.random.default_rng(5)
    found = event_by(*looked_at(weibull(rng, 300), rng.uniform(11, 14, (300, 1))), [6.0, 12.0])
    assert 11 <= found.told_from < 11.1
    assert np.isnan([found.estimate[0], found.low[0], found.high[0], found.turnbull[0]]).all()
    assert found.at_least[0] == 0 and found.at_most_high[0] > 0.8
    assert found.low[1] < 1 - np.exp(-((12 / 7.6) ** 1.2)) < found.high[1]


def test_a_look_that_saw_nothing_is_a_sight_too() -> None:
    left, right = np.full(20, 12.0), np.full(20, np.inf)
    assert event_by(left, right, [8.0]).told_from == 12
    seen_before = event_by(left, right, [8.0], first_look=np.r_[6.0, np.full(19, 12.0)])
    assert seen_before.told_from == 6
    assert seen_before.at_most[0] == 0 and np.isnan(seen_before.estimate[0]) and seen_before.high[0] > 0.1


def test_failures_count_as_long_as_others_are_seen_and_no_more() -> None:
    """A fifth never heals; half of those are found at a visit to need another treatment, and known to day 100 since."""
    rng = np.random.default_rng(14)
    n = 4000
    event = TRUTHS["a fifth never"](rng.random(n))
    visits = rng.uniform(3, 40, (n, 2))
    left, right = looked_at(event, visits)
    last = visits.max(axis=1)
    failed = np.isinf(event) & (visits.min(axis=1) > 12) & (rng.random(n) < 0.6)
    last = np.where(failed, visits.min(axis=1), last)
    found = event_by(np.where(failed, 100.0, left), right, [12.0, 24.0, 36.0], last_look=last)
    assert found.estimate == pytest.approx(SHARES["a fifth never"](np.array([12.0, 24.0, 36.0])), abs=0.025)
    assert found.turnbull == pytest.approx(SHARES["a fifth never"](np.array([12.0, 24.0, 36.0])), abs=0.04)
    known_failed = failed.sum()
    assert found.at_most[2] <= 1 - known_failed / n


def test_known_failures_hold_the_curve_down_but_are_no_visits() -> None:
    """40 of 100 are known at 60 months never to have healed; the others were last seen at 12 to 13."""
    rng = np.random.default_rng(8)
    left, right = looked_at(weibull(rng, 60), rng.uniform(6, 13, (60, 2)))
    left, right = np.r_[left, np.full(40, 60.0)], np.r_[right, np.full(40, np.inf)]
    found = event_by(left, right, [12.0, 20.0], last_look=np.r_[left[:60], np.full(40, 9.0)])
    assert found.at_most[0] <= 0.6 and found.high[0] < 0.72
    assert np.isnan(of_units(found)).all(axis=0).tolist() == [False, True]


def test_between_visits_far_apart_limits_reach_from_the_ones_before_to_those_after() -> None:
    rng = np.random.default_rng(6)
    event, visits = weibull(rng, 300), np.column_stack([rng.uniform(5, 7, 300), rng.uniform(22, 26, 300)])
    found = event_by(*looked_at(event, visits), [6.9, 14.0, 22.1])
    assert found.low[1] <= found.low[0] + 0.03 and found.high[1] >= found.high[2] - 0.03
    assert found.estimate[0] < found.estimate[1] < found.estimate[2]


def test_where_the_share_jumps_the_smooth_curve_is_told_to_differ() -> None:
    rng = np.random.default_rng(7)
    n = 1500
    event = np.where(rng.random(n) < 0.1, 1.0, np.where(rng.random(n) < 0.9, 17.0, np.inf))
    found = event_by(*looked_at(event, rng.uniform(3, 30, (n, 2))), [16.5, 18.0])
    assert found.differs.all()
    assert found.low[0] < 0.15 and found.high[1] > 0.88, "limits take in what visits before and after say"


@pytest.mark.parametrize("n", [FEWEST_CLUSTERS - 1, FEWEST_CLUSTERS])
def test_few_patients_have_bounds_alone(n: int) -> None:
    rng = np.random.default_rng(13)
    left, right = looked_at(weibull(rng, 5 * n), rng.uniform(5, 15, (5 * n, 1)))
    many = event_by(left, right, [10.0], np.repeat(np.arange(n), 5))
    assert np.isnan(many.estimate[0]) == (n < FEWEST_CLUSTERS)
    assert many.low[0] < many.high[0]


def test_the_ends_of_what_was_seen_have_bounds_alone() -> None:
    """Fewer than five looked at until then, or from then on: what a curve says there hangs on one or two."""
    rng = np.random.default_rng(9)
    left, right = looked_at(weibull(rng, 200), rng.uniform(6, 30, (200, 2)))
    seen = np.sort(np.r_[left[left > 0], right[np.isfinite(right)]])
    first = np.sort(np.minimum(np.where(left > 0, left, np.inf), right))
    found = event_by(left, right, [first[FEWEST_LOOKED - 2], first[FEWEST_LOOKED - 1], seen[-1]])
    assert np.isnan(found.estimate).tolist() == [True, False, True]
    assert (found.low[[0, 2]] == found.at_least_low[[0, 2]]).all()


def test_one_unit_a_cluster_is_close_to_the_model_s_own_error() -> None:
    rng = np.random.default_rng(10)
    n = 2000
    left, right = looked_at(weibull(rng, n), rng.uniform(3, 20, (n, 2)))
    found = location_scale(left, right)
    assert found is not None
    own, robust = np.diag(found.fit.covariance), np.diag(found.fit.clustered(np.arange(n)))
    assert robust == pytest.approx(own, rel=0.1)
    # Ten alike of a patient: ten times the variance, of as many patients.
    ten = location_scale(np.repeat(left[:200], 10), np.repeat(right[:200], 10))
    one = location_scale(left[:200], right[:200])
    assert ten is not None and one is not None
    assert ten.fit.clustered(np.repeat(np.arange(200), 10)) == pytest.approx(
        one.fit.clustered(np.arange(200)), rel=1e-3
    )


units = st.lists(
    st.tuples(st.integers(0, 8), st.integers(1, 6), st.booleans(), st.sampled_from("abcdefghijklmn")),
    min_size=1,
    max_size=50,
)


@settings(max_examples=40, deadline=None)
@given(units, st.randoms(use_true_random=False))
def test_order_and_names_change_nothing_and_no_interval_is_of_zero_width(rows: list[tuple], random: Any) -> None:
    rows = [(a, np.inf if never and a else a + width, c) for a, width, never, c in rows]
    times = [1.0, 3.0, 5.0, 8.0, 12.0]
    found = event_by([r[0] for r in rows], [r[1] for r in rows], times, [r[2] for r in rows])
    mixed = random.sample(rows, len(rows))
    names = dict(zip("abcdefghijklmn", random.sample(range(1000), 14), strict=True))
    again = event_by([r[0] for r in mixed], [r[1] for r in mixed], times, [names[r[2]] for r in mixed])
    for one, other in zip(of_units(found), of_units(again), strict=True):
        assert one == pytest.approx(other, abs=1e-7, nan_ok=True)
    told = ~np.isnan(found.low)
    assert (found.high - found.low > 1e-3)[told].all()
    assert (told == ((found.times >= found.told_from) & ~np.isnan(found.at_least))).all()
    value = ~np.isnan(found.estimate)
    assert (told | ~value).all() and ((found.low < found.estimate) & (found.estimate < found.high))[value].all()
    assert (np.diff(found.estimate[value]) >= -1e-9).all()


def test_spline_rises_with_its_terms_and_is_straight_outside() -> None:
    """Royston and Parmar's basis (2002, eq. 3) spans the same curves: second differences vanish outside the knots."""
    knots = np.array([0.0, 0.7, 1.1, 2.0])
    x = np.linspace(-1, 3, 801)
    rows = spline(x, knots)
    assert rows.shape == (801, 4)
    assert (np.diff(rows[:, 1:], axis=0) >= -1e-12).all()
    assert rows[:, 1:].sum(axis=1) == pytest.approx(x)
    outside = (x[1:-1] < -0.01) | (x[1:-1] > 2.01)
    assert np.abs(np.diff(rows, 2, axis=0)[outside]).max() < 1e-12
    # Their basis: x, and for each inner knot (x - k)+^3 - l (x - first)+^3 - (1 - l) (x - last)+^3.
    theirs = [np.ones_like(x), x]
    for k in knots[1:-1]:
        share = (knots[-1] - k) / (knots[-1] - knots[0])
        plus = [np.maximum(x - at, 0) ** 3 for at in (k, knots[0], knots[-1])]
        theirs.append(plus[0] - share * plus[1] - (1 - share) * plus[2])
    _, residual, rank, _ = np.linalg.lstsq(np.stack(theirs, axis=1), rows, rcond=None)
    assert rank == 4 and np.abs(residual).max() < 1e-18


def test_the_spline_s_maximum_is_that_of_a_general_optimiser() -> None:
    """SciPy's minimize on the likelihood written down anew."""
    rng = np.random.default_rng(11)
    left, right = looked_at(weibull(rng, 150), rng.uniform(3, 20, (150, 2)))
    begun, ended = left > 0, np.isfinite(right)
    knots = np.log([4.0, 9.0, 18.0])
    rows = [spline(np.log(np.where(there, x, 1)), knots) for there, x in ((begun, left), (ended, right))]
    found = fit(*rows, begun, ended, np.array([-2.0, 1.0, 1.0]), np.array([False, True, True]), "weibull")
    assert found is not None

    def minus(terms: np.ndarray) -> float:
        until = [np.exp(-np.exp(r @ terms)) for r in rows]
        chance = np.where(begun, until[0], 1) - np.where(ended, until[1], 0)
        return -float(np.log(np.maximum(chance, 1e-300)).sum())

    by_scipy = minimize(minus, found.terms + 0.1, method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    assert found.loglik == pytest.approx(-by_scipy.fun, abs=1e-6)
    assert found.terms == pytest.approx(by_scipy.x, abs=1e-3)


def test_a_share_that_stays_the_same_from_the_first_visit_on() -> None:
    """Teeth that are healed at their first visit or never: no slope, and the interval is nearly that of a share."""
    rng = np.random.default_rng(12)
    event = np.where(rng.random(400) < 0.7, 1.0, np.inf)
    found = event_by(*looked_at(event, rng.uniform(6, 40, (400, 2))), [12.0, 24.0])
    share = (event == 1).mean()
    assert found.estimate == pytest.approx([share, share], abs=1e-3)
    half = 1.96 * np.sqrt(share * (1 - share) / 400)
    assert found.high - found.low == pytest.approx([2 * half] * 2, rel=0.05)


def test_nothing_but_events_and_nobody() -> None:
    assert location_scale([0.0] * 20, [12.0] * 20) is None
    all_healed = event_by(np.zeros(30), np.linspace(11, 14, 30), [12.5, 14.0])
    assert np.isnan(all_healed.estimate).all()
    assert all_healed.low[1] == pytest.approx(float(wilson(30, 30)[0])) and all_healed.high[1] == 1
    assert np.isnan(event_by([], [], [1.0]).estimate).all()
    for wrong in (([2.0], [2.0]), ([3.0], [2.0]), ([-1.0], [2.0]), ([1.0, 2.0], [3.0])):
        with pytest.raises(ValueError, match="left"):
            event_by(*wrong, [1.0])
    with pytest.raises(ValueError, match="cluster"):
        event_by([0, 1], [2, 3], [3.0], cluster=["a"])


TRUTHS = {
    "Weibull": lambda u: 7.6 * (-np.log1p(-u)) ** (1 / 1.2),
    "log-normal": lambda u: 9 * np.exp(0.8 * stats.norm.ppf(u)),
    "a fifth never": lambda u: np.where(u < 0.8, 9 * (-np.log1p(-np.minimum(u, 0.7999) / 0.8)) ** (1 / 1.5), np.inf),
}
SHARES = {
    "Weibull": lambda t: 1 - np.exp(-((t / 7.6) ** 1.2)),
    "log-normal": lambda t: stats.norm.cdf(np.log(t / 9) / 0.8),
    "a fifth never": lambda t: 0.8 * (1 - np.exp(-((t / 9) ** 1.5))),
}


@pytest.mark.parametrize("name", TRUTHS)
def test_limits_hold_the_truth_of_unlike_curves(name: str) -> None:
    """25 practices, visits near 6, 12 and 24 months, patients of one to three like teeth; fails 1 in 1,000."""
    times, held, told = np.array([6.0, 12.0, 24.0]), 0, 0
    truth = SHARES[name](times)
    for k in range(25):
        rng = np.random.default_rng([1413, k])
        patient = np.repeat(np.arange(75), rng.integers(1, 4, 75))
        own, common = rng.standard_normal(patient.size), rng.standard_normal(75)[patient]
        event = TRUTHS[name](stats.norm.cdf(np.sqrt(0.4) * own + np.sqrt(0.6) * common))
        visits = np.array([6.0, 12.0, 24.0]) + rng.normal(0, 0.7, (patient.size, 3))
        visits[rng.random(visits.shape) > 0.7] = np.nan
        some = ~np.isnan(visits).all(axis=1)
        before = np.nan_to_num(visits[some]) < event[some, None]
        left = np.where(before, np.nan_to_num(visits[some]), 0).max(axis=1)
        right = np.where(before | np.isnan(visits[some]), np.inf, visits[some]).min(axis=1)
        found = event_by(left, right, times, patient[some])
        value = ~np.isnan(found.estimate)
        told += value.sum()
        held += (value & (found.low <= truth) & (truth <= found.high)).sum()
    assert told > 60
    assert held >= stats.binom.ppf(0.001, told, 0.93)
