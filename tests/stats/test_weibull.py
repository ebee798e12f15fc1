"""Weibull life: SciPy's censored fit as oracle, and samples that cannot be fitted."""

import numpy as np
import pytest
from scipy.stats import CensoredData, weibull_min

from pipeline.stats.weibull import weibull


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("scale", [1e-3, 8.0, 1e6])
def test_agrees_with_scipy(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    life = rng.weibull(0.6 + 0.5 * seed, 60) * scale
    end = np.quantile(life, 0.7)
    time, event = np.minimum(life, end), life <= end
    found = weibull(time, event)
    shape, _, fitted = weibull_min.fit(CensoredData(uncensored=time[event], right=time[~event]), floc=0)
    assert (found.shape, found.scale) == pytest.approx((shape, fitted), rel=2e-3)
    oracle = weibull_min(found.shape, scale=found.scale)
    assert (found.mean, found.sd) == pytest.approx((oracle.mean(), oracle.std()), rel=1e-6)
    assert found.loglik == pytest.approx(oracle.logpdf(time[event]).sum() + oracle.logsf(time[~event]).sum())
    assert found.n_events == event.sum() and not found.tentative


def test_no_fit_and_few_events() -> None:
    assert weibull([1, 2, 3], [0, 0, 0]) is None
    assert weibull([5, 5, 5], [1, 1, 1]) is None
    assert weibull([], []) is None
    assert weibull([2, 3, 9], [1, 1, 0]).tentative
    for time, event in (([0], [1]), ([1, 2], [1])):
        with pytest.raises(ValueError, match="times above 0"):
            weibull(time, event)
