"""Ratio of shares within strata, against a published trial and statsmodels."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import StratifiedTable

from pipeline.stats.risk_ratio import RiskRatio, clustered_ratio


def of_single_units(tables: Any) -> RiskRatio:
    """Of tables [[exposed with event, without], [reference with event, without]], every unit its own cluster."""
    counts = np.asarray(tables, dtype=int).reshape(-1, 2, 2)
    stratum, row, column = (np.repeat(at, counts.ravel()) for at in np.indices(counts.shape).reshape(3, -1))
    return clustered_ratio(stratum, 1 - row, np.arange(stratum.size), 1 - column, np.ones(stratum.size))


def test_deaths_of_the_diabetes_trial_by_age() -> None:
    """University Group Diabetes Program, 1970, as in Rothman's textbooks (from memory): 1.33, 0.80 to 2.20.

    Younger than 55: 8 of 106 with tolbutamide, 5 of 120 with placebo; older: 22 of 98 and 16 of 85.
    """
    found = of_single_units([[[8, 98], [5, 115]], [[22, 76], [16, 69]]])
    assert found.ratio == pytest.approx(1.33, abs=0.005)
    assert (found.low, found.high) == (pytest.approx(0.80, abs=0.005), pytest.approx(2.20, abs=0.005))
    assert (found.strata_used, found.n_used) == (2, 409)


def test_one_stratum_is_the_plain_ratio_with_katz_limits() -> None:
    """10 of 100 against 5 of 100: 2; ln error sqrt(1/10 - 1/100 + 1/5 - 1/100) = 0.5292 (Katz 1978, by hand)."""
    found = of_single_units([[[10, 90], [5, 95]]])
    assert found.ratio == pytest.approx(2)
    assert found.low == pytest.approx(2 / np.exp(1.959964 * 0.529150), rel=1e-5)


cells = st.integers(0, 40)
tables = st.lists(st.tuples(cells, cells, cells, cells), min_size=1, max_size=6)


@given(strata=tables)
def test_same_ratio_as_statsmodels(strata: list[Any]) -> None:
    t = np.array(strata, dtype=float).reshape(-1, 2, 2)
    assume(bool(np.all(t.sum(axis=2) > 0)))
    found = of_single_units(t)
    assume(found.ratio is not None)
    theirs = StratifiedTable(list(t), shift_zeros=False).riskratio_pooled
    assert found.ratio == pytest.approx(float(theirs), rel=1e-9)
    if found.low is not None and found.high is not None and found.ratio is not None:
        assert found.low <= found.ratio <= found.high


def test_what_cannot_be_told_is_none() -> None:
    assert of_single_units([]).ratio is None
    assert of_single_units([[[3, 7], [0, 10]]]).ratio is None  # nobody in the reference
    none_exposed = of_single_units([[[0, 7], [3, 10]]])
    assert (none_exposed.ratio, none_exposed.low) == (0, 0)
    one_group = of_single_units([[[3, 7], [0, 0]], [[1, 9], [2, 8]]])
    assert (one_group.ratio, one_group.strata_used, one_group.n_used) == (pytest.approx(0.5), 1, 20)
    with pytest.raises(ValueError, match="one stratum"):
        clustered_ratio([0], [1, 0], [1, 2], [1, 0], [1, 1])
