"""Worked values of monitoring one case after another: paths of risk-adjusted CUSUMs, up and down."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from pipeline.stats import cusum

from .entries import entry, hold


@pytest.mark.parametrize("name", ["ra-cusum-path-up", "ra-cusum-path-down"])
def test_the_path_of_a_risk_adjusted_cusum(name: str) -> None:
    of = entry(name)
    given = of["inputs"]
    intercept, slope = given["logit"]
    weights = cusum.weights(expit(intercept + slope * np.array(given["x"])), given["y"], given["RA"])
    found = {"weights": weights, "S": cusum.cusum(weights)}
    hold(of, {field: found[field] for field in of["expected"]})
