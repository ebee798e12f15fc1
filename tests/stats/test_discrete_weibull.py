"""Weibull lives in whole uses, against SciPy's fit of the same intervals."""

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.discrete_weibull import discrete_weibull

# Lives in uses: NIST 8.4.1.3's ten failure times (hours), in steps of 100 hours, and ten units whole after 500.
NIST = [1, 2, 3, 3, 3, 4, 4, 4, 4, 4]


@pytest.mark.parametrize("seed", range(5))
def test_same_fit_as_interval_censored_weibull_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    life = np.ceil(rng.weibull(1.6, 400) * 12)
    retired = rng.integers(4, 13, 400)
    event, uses = life <= retired, np.minimum(life, retired)
    found = discrete_weibull(uses, event)
    assert found is not None
    data = stats.CensoredData(interval=np.column_stack([life - 1, life])[event], right=retired[~event].astype(float))
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    assert (found.shape, found.scale) == (pytest.approx(shape, rel=2e-3), pytest.approx(scale, rel=2e-3))
    survival = stats.weibull_min(shape, scale=scale).sf
    loglik = np.log(survival(life - 1) - survival(life))[event].sum() + np.log(survival(retired))[~event].sum()
    assert found.loglik >= loglik - 1e-6  # no worse than SciPy's own maximum


def test_hazard_is_what_survival_makes_it() -> None:
    found = discrete_weibull([*NIST, *[5] * 10], [True] * 10 + [False] * 10)
    assert found is not None
    assert not found.tentative
    survival = stats.weibull_min.sf(np.arange(6), found.shape, scale=found.scale)
    assert found.hazard(np.arange(1, 6)) == pytest.approx(1 - survival[1:] / survival[:-1], rel=1e-12)


def test_equal_hazards_give_shape_one() -> None:
    """Of 1,000 instruments 10 % fail at each use (geometric, worked by hand): shape 1, scale -1 / ln 0.9 = 9.491."""
    uses = np.repeat([1, 2, 3, 3], [100, 90, 81, 729])
    event = np.repeat([True, True, True, False], [100, 90, 81, 729])
    found = discrete_weibull(uses, event)
    assert found is not None
    assert (found.shape, found.scale) == (pytest.approx(1, abs=1e-4), pytest.approx(9.491, abs=2e-3))
    assert found.hazard([1, 2, 3]) == pytest.approx(0.1, abs=1e-5)


def test_too_little_to_fit_is_no_fit_and_wrong_counts_are_refused() -> None:
    assert discrete_weibull([], []) is None
    assert discrete_weibull([3, 3, 5], [True, True, False]) is None
    few = discrete_weibull([1, 3, 5, 5], [True, True, False, False])
    assert few is not None
    assert few.tentative
    with pytest.raises(ValueError, match="whole numbers"):
        discrete_weibull([0.5, 2], [True, True])
    with pytest.raises(ValueError, match="one event a life"):
        discrete_weibull([1, 2], [True])
