"""Cumulative sums: the recursion against its running form, and false alarms as often as asked for."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stats.cusum import cusum, limits, weights
from pipeline.stats.risk_model import RiskModel


@given(st.lists(st.floats(-3, 3), max_size=60))
def test_the_running_form_is_the_recursion(case_weights: list[float]) -> None:
    s, slow = 0.0, []
    for w in case_weights:
        s = max(0.0, s + w)
        slow.append(s)
    np.testing.assert_allclose(cusum(case_weights), slow, atol=1e-9)


@given(st.floats(0.001, 0.999), st.floats(0.1, 10))
def test_weights_are_log_likelihood_ratios(p: float, ratio: float) -> None:
    shifted = ratio * p / (1 - p + ratio * p)  # the risk whose odds are `ratio` times those of p
    event, none = weights([p, p], [1, 0], ratio)
    assert event == pytest.approx(np.log(shifted / p), abs=1e-9)
    assert none == pytest.approx(np.log((1 - shifted) / (1 - p)), abs=1e-9)
    # On average they fall while nothing has changed.
    assert p * event + (1 - p) * none <= 1e-12


def test_a_certain_risk_tells_nothing() -> None:
    assert weights([0.0, 1.0], [0, 1], 2.0) == pytest.approx([0, 0])


def known(risks: list[float], likeness: float = 0.0) -> RiskModel:
    """A model that knows the risks of so many kinds of cases: nothing is left open."""
    log_odds = [float(np.log(p / (1 - p))) for p in risks]
    return RiskModel("share", np.array([0.0, *log_odds]), np.eye(len(risks) + 1) * 1e-18, likeness)


def test_the_limits_are_passed_by_chance_as_often_as_asked() -> None:
    rng = np.random.default_rng(1)
    model, kind = known([0.02, 0.1, 0.3]), rng.integers(0, 3, 150)
    at = np.eye(3)[kind]
    risk = model.expected(at)
    assert risk == pytest.approx(np.array([0.02, 0.1, 0.3])[kind])
    found = limits(model, at, false_alarm=0.1, runs=4000, seed=2)

    def passed(true: np.ndarray, times: int) -> np.ndarray:
        """How often the sums pass up and down."""
        runs = [rng.random(150) < true for _ in range(times)]
        sums = np.array([[cusum(weights(risk, y, ratio)) for ratio in (2, 0.5)] for y in runs])
        return (sums > np.array([found.up, found.down]) + 1e-9).any(axis=2).mean(axis=0)

    # After 160 cases 160 / (160 + 30) of 5 in 100 a side are spent, some of them on the ten to come.
    assert passed(risk, 3000) == pytest.approx([0.042, 0.042], abs=0.015)
    doubled, halved = (ratio * risk / (1 - risk + ratio * risk) for ratio in (2, 0.5))
    assert passed(doubled, 500)[0] > 0.4 and passed(halved, 500)[1] > 0.2
    assert limits(model, np.empty((0, 3))).up.size == 0


def test_a_limit_once_passed_stays_passed_as_cases_come_in() -> None:
    """A case more moves no limit of the cases before it, from the first stretch on that is full."""
    rng = np.random.default_rng(3)
    model, at, patient = known([0.05, 0.3], likeness=0.3), np.eye(2)[rng.integers(0, 2, 170)], rng.integers(0, 60, 170)
    whole = limits(model, at, patient)
    for n in (30, 45, 83, 160, 169):
        part = limits(model, at[:n], patient[:n])
        assert part.up.tolist() == whole.up[:n].tolist() and part.down.tolist() == whole.down[:n].tolist()
    assert (np.diff(whole.up) >= 0).all() and len(set(whole.up.tolist())) == 6


def test_limits_lie_further_out_where_less_is_known_and_where_patients_are_alike() -> None:
    at, patient = np.ones((120, 1)), np.repeat(np.arange(40), 3)
    sure = limits(known([0.2]), at, patient)
    open_ = limits(RiskModel("share", known([0.2]).coefficient, np.diag([0.1, 1e-18]), 0.0), at, patient)
    alike = limits(known([0.2], likeness=0.5), at, patient)
    for found in (open_, alike):
        assert (found.up[40:] > sure.up[40:] * 1.05).all() and (found.down[40:] > sure.down[40:] * 1.05).all()
    # Patients with one tooth each are alike to nobody.
    alone = limits(known([0.2], likeness=0.5), at, np.arange(120))
    assert alone.up == pytest.approx(sure.up, abs=0.6) and alone.down == pytest.approx(sure.down, abs=0.6)


def test_wrong_input_is_refused() -> None:
    with pytest.raises(ValueError, match="risks"):
        weights([1.2], [1])
    with pytest.raises(ValueError, match="risks"):
        weights([np.nan], [1])
    with pytest.raises(ValueError, match="odds ratios"):
        weights([0.2], [1], odds_ratio=0)
