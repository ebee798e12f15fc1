"""Cumulative sums: the recursion against its running form, and false alarms as often as asked for."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stats.cusum import bernoulli, cusum, limit, weights


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


@given(st.floats(0.001, 0.99), st.floats(0.001, 0.99))
def test_equal_risks_are_a_special_case(p0: float, p1: float) -> None:
    if p0 == p1:
        return
    simple = bernoulli(p0, p1)
    ratio = p1 / (1 - p1) / (p0 / (1 - p0))
    assert weights([p0, p0], [1, 0], ratio) == pytest.approx([simple.event, simple.none], abs=1e-9)
    assert simple.r2 == pytest.approx(simple.event - simple.none)


def test_a_certain_risk_tells_nothing() -> None:
    assert weights([0.0, 1.0], [0, 1], 2.0) == pytest.approx([0, 0])


def test_the_limit_is_passed_by_chance_as_often_as_asked() -> None:
    risk = np.random.default_rng(1).uniform(0.01, 0.3, 150)
    height = limit(risk, false_alarm=0.1, runs=4000, seed=2)
    rng = np.random.default_rng(3)
    alarms = [cusum(weights(risk, rng.random(150) < risk)).max() > height for _ in range(3000)]
    assert np.mean(alarms) == pytest.approx(0.1, abs=0.02)
    doubled = 2 * risk / (1 - risk + 2 * risk)
    found = [cusum(weights(risk, rng.random(150) < doubled)).max() > height for _ in range(500)]
    assert np.mean(found) > 0.5
    assert limit(risk, seed=5) == limit(risk, seed=5)
    assert limit([]) == 0


def test_wrong_input_is_refused() -> None:
    with pytest.raises(ValueError, match="risks"):
        weights([1.2], [1])
    with pytest.raises(ValueError, match="risks"):
        weights([np.nan], [1])
    with pytest.raises(ValueError, match="odds ratios"):
        weights([0.2], [1], odds_ratio=0)
    with pytest.raises(ValueError, match="two different"):
        bernoulli(0.1, 0.1)
