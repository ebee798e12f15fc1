"""Observed against expected: whole-number limits, intervals, and ratios drawn towards 1."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.case_mix import (
    FEWEST_SHRUNK,
    Expected,
    alike_units,
    dispersion,
    expected,
    interval,
    limits,
    shrunken,
)
from pipeline.stats.funnel import PROBABILITIES
from pipeline.stats.proportions import wilson
from pipeline.stats.rates import garwood
from pipeline.stats.risk_model import RiskModel


def unit(kind: str, n: int, e: float, over: float = 1.0) -> Expected:
    return Expected(kind, n, e, over * (e * (1 - e / n) if kind == "share" else e))


@pytest.mark.parametrize("n", [1, 6, 61, 400])
def test_limits_are_those_of_the_binomial_distribution_where_only_chance_varies(n: int) -> None:
    """Oracle: SciPy's quantiles."""
    assert limits(unit("share", n, 0.8 * n)).tolist() == stats.binom.ppf(PROBABILITIES, n, 0.8).tolist()
    assert limits(unit("rate", n, 0.05 * n)).tolist() == stats.poisson.ppf(PROBABILITIES, 0.05 * n).tolist()


@pytest.mark.parametrize("over", [1.2, 3.0])
def test_limits_with_more_than_chance_are_beta_binomial_and_negative_binomial(over: float) -> None:
    """Oracle: SciPy's distributions with the same mean and variance."""
    of = unit("share", 80, 60, over)
    alike = (over - 1) / 79
    a, b = 0.75 * (1 / alike - 1), 0.25 * (1 / alike - 1)
    theirs = stats.betabinom(80, a, b)
    assert (theirs.mean(), theirs.var()) == pytest.approx((60, of.variance))
    assert limits(of).tolist() == theirs.ppf(PROBABILITIES).tolist()
    rate = unit("rate", 500, 12, over)
    size = 144 / (rate.variance - 12)
    assert limits(rate).tolist() == stats.nbinom.ppf(PROBABILITIES, size, size / (size + 12)).tolist()
    assert limits(of, phi=2).tolist() == limits(unit("share", 80, 60, over * 2)).tolist()


def test_variance_is_of_chance_of_patients_and_of_the_model() -> None:
    """Two cases of one patient at risk 0.5, alike 0.4, and an intercept known to 0.1: written out by hand."""
    model = RiskModel("share", np.zeros(1), np.array([[0.1]]), 0.4)
    of = expected(model, np.empty((2, 0)), [7, 7])
    assert (of.expected, of.n) == (1.0, 2)
    assert of.variance == pytest.approx(2 * 0.25 + 2 * 0.4 * 0.25 + 0.5**2 * 0.1)
    apart = expected(model, np.empty((2, 0)), [7, 8])
    assert apart.variance == pytest.approx(0.5 + 0.025)
    rate = expected(
        RiskModel("rate", np.array([math.log(0.02)]), np.array([[0.04]]), 0.0), np.empty((50, 0)), [*range(50)]
    )
    assert (rate.expected, rate.variance) == (pytest.approx(1), pytest.approx(1 + 0.04))


def test_intervals_are_the_usual_ones_of_as_many_cases_as_tell_as_much() -> None:
    low, high = wilson(45, 60)
    assert interval(unit("share", 60, 50), 45) == pytest.approx((low * 60 / 50, high * 60 / 50))
    assert interval(unit("rate", 900, 12), 20) == pytest.approx([float(v) for v in garwood(20, 12)])
    doubled = unit("rate", 900, 12, 2.0)
    assert interval(doubled, 20) == pytest.approx([float(v) for v in garwood(10, 6)])
    assert interval(doubled, 0)[0] == 0 < interval(doubled, 0)[1]
    # Never more cases than there are.
    assert alike_units(unit("share", 60, 50, 0.5)) == 60 and alike_units(unit("share", 60, 50, 2)) == 30


def test_ratios_are_drawn_towards_that_of_all_and_none_of_too_few() -> None:
    seen = [(30.0, unit("share", 60, 45)), (55.0, unit("share", 60, 45)), (45.0, unit("share", 60, 45))]
    seen += [(9.0, unit("share", 15, 11)), (170.0, unit("share", 200, 150))]
    drawn = shrunken(seen, 0.75)
    assert drawn is not None
    common = sum(x for x, _ in seen) / sum(of.expected for _, of in seen)
    for (x, of), ratio in zip(seen, drawn, strict=True):
        raw = x / of.expected
        assert min(raw, common) - 0.001 <= ratio <= max(raw, common) + 0.001
    assert shrunken(seen[: FEWEST_SHRUNK - 1], 0.75) is None
    alike = [(45.0, unit("share", 60, 45))] * 5
    assert shrunken(alike, 0.75) == [1.0] * 5
    assert shrunken([(4.0, unit("rate", 200, 4))] * 5, 0.02) == [1.0] * 5


def test_rates_are_drawn_as_the_gamma_poisson_of_the_pumps() -> None:
    """Gaver and O'Muircheartaigh 1987 by way of check-values-2.json: pump hours as what is expected."""
    events = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
    hours = [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]
    posterior = [0.06093411822, 0.1074756717, 0.09075459844, 0.1164762888, 0.5879989156]
    drawn = shrunken([(x, unit("rate", 1000, t)) for x, t in zip(events, hours, strict=True)], 0.1)
    assert drawn is not None
    assert drawn[:5] == pytest.approx(posterior, abs=5e-5)


def test_units_that_vary_beyond_chance_are_told_from_ten_on() -> None:
    wild = [(30.0 + 3 * i, unit("share", 60, 45)) for i in range(10)]
    assert dispersion(wild[:9]) == 1.0 and dispersion(wild) > 3
    assert dispersion([(45.0, unit("share", 60, 45))] * 12) == 1.0
