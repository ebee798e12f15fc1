"""The entry of check-values-2.json on errors of least squares with few clusters (CR2), by the model of minutes."""

from __future__ import annotations

import numpy as np
from scipy import stats

from pipeline.stats.log_time import _fit

from .entries import data, entry


def test_errors_of_fifteen_districts() -> None:
    of, schools = entry("cr-api-ols"), data("apiclus1")
    i = of["inputs"]
    terms = [schools[name].to_numpy().astype(float) for name in ("ell", "meals")]
    found = _fit(schools["api00"].to_numpy().astype(float), [], terms, schools[i["cluster"]].to_numpy(), 0.95)
    slopes = [np.log(r.ratio or np.nan) for r in found]
    # The half width is Student's t with 14 degrees of freedom times the error.
    errors = [np.log((r.high or np.nan) / (r.ratio or np.nan)) / stats.t.ppf(0.975, 14) for r in found]
    for field, got in (("coef", slopes), ("se_CR2", errors)):
        tolerance = of["tolerance"][field] if isinstance(of["tolerance"], dict) else of["tolerance"]
        assert np.abs(np.array(got) - of["expected"][field][1:]).max() <= tolerance, (field, got)
