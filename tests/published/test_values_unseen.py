"""Interval-censored Weibull and log-logistic fits against R's survreg (check-values-2.json, subject 3)."""

from __future__ import annotations

import numpy as np
import pytest

from .entries import entry, hold
from .location_scale import location_scale


def _bounds(given: dict) -> tuple[np.ndarray, np.ndarray]:
    return np.array(given["left"], dtype=float), np.array([float(r) for r in given["right"]])


@pytest.mark.parametrize(
    ("family", "name"), [("weibull", "weibull-ic-cosmesis-rt"), ("loglogistic", "loglogistic-ic-cosmesis-rt")]
)
def test_breast_cosmesis_after_radiotherapy(family: str, name: str) -> None:
    of = entry(name)
    found = location_scale(*_bounds(of["inputs"]), family)
    assert found is not None
    s, low, high = found.survival(of["inputs"]["times"])
    figures = {"mu": found.location, "sigma": found.scale, "loglik": found.loglik, "S": s, "S_low": low, "S_high": high}
    hold(of, figures | {"median": found.median, "median_se": found.median_se})


def test_both_arms_as_accelerated_failure_times() -> None:
    of = entry("weibull-aft-ic-cosmesis")
    arms = [_bounds(of["inputs"][arm]) for arm in ("x0", "x1")]
    left, right = (np.concatenate(both) for both in zip(*arms, strict=True))
    arm = np.repeat([0.0, 1.0], [arms[0][0].size, arms[1][0].size])
    found = location_scale(left, right, "weibull", arm)
    assert found is not None
    beta = float(found.effects[0])
    figures = {"intercept": found.location, "beta": beta, "sigma": found.scale, "se_beta": float(found.effects_se[0])}
    figures |= {"loglik": found.loglik, "time_ratio": np.exp(beta), "hazard_ratio": np.exp(-beta / found.scale)}
    hold(of, figures)
