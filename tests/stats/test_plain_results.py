"""Results travel to JSON as they are, and the package stays light to import."""

import json
import subprocess
import sys
from dataclasses import asdict
from typing import Any

import pytest

from pipeline.stats import (
    clustering,
    competing,
    discrete_weibull,
    funnel,
    logrank,
    process,
    rates,
    shrinkage,
    stratified,
    survival,
    times,
)

VALUES = [3.0, 5, 4, 8, 1, 2, 9, 7, 6, 3, 5, 20, 4]

RESULTS: list[Any] = [
    rates.rate_ratio_exact(3, 100, 0, 120),
    times.summary(VALUES),
    times.summary([]),
    stratified.mantel_haenszel([[[3, 4], [5, 6]], [[1, 0], [2, 2]], [[0, 0], [1, 1]]]),
    stratified.mantel_haenszel([]),
    stratified.crude([[0, 4], [0, 0]]),
    survival.kaplan_meier([1, 2, 3], [1, 0, 1]).at(3),
    logrank.logrank([1, 2, 3, 4], [1, 1, 0, 1], ["a", "b", "a", "b"]),
    competing.aalen_johansen([1, 2, 3], [1, 2, 0]).at(2, 1),
    process.individuals(VALUES),
    process.individuals([]),
    process.g_chart([1, 0, 4]),
    process.t_chart(VALUES),
    process.anhoej(VALUES, 4.0),
    *process.signals(VALUES, 5.0, None, 12.0),
    funnel.overdispersion([1, 2, 5], [10, 12, 11]),
    shrinkage.beta_prior([1, 9, 5], [10, 10, 10]),
    shrinkage.gamma_prior([1, 9, 5, 0]),
    clustering.gee_logistic([0, 1, 1, 0, 1, 0, 1, 1], [0, 1, 1, 1, 0, 0, 1, 0], [1, 1, 2, 3, 4, 5, 6, 7], ["x"]),
    discrete_weibull.discrete_weibull(VALUES, [1] * 13),
]


@pytest.mark.parametrize("result", RESULTS, ids=lambda r: type(r).__name__)
def test_scalar_results_are_plain(result: Any) -> None:
    told = asdict(result)
    # Neither NaN nor infinity nor a NumPy scalar: None is the one way to say "not estimable".
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told


def test_importing_estimators_loads_nothing_slow() -> None:
    names = (
        "amounts clustering cusum discrete_weibull funnel power process proportions rates shrinkage stratified "
        "survival times"
    )
    program = (
        f"import sys\nfor n in {names.split()}: __import__('pipeline.stats.' + n)\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & {'scipy', 'statsmodels', 'pandas', 'polars', 'duckdb'}))"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
