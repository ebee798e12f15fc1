"""What few clusters cost, at its edges: at two and at forty clusters, with all units in one, and never less than alone.

Each of these is a fault that no other test saw when it was put in by hand.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.stats._common import clustered_p, critical_value
from pipeline.stats.clustering import gee_logistic
from pipeline.stats.competing import aalen_johansen
from pipeline.stats.logrank import FEWEST_CLUSTERS, logrank
from pipeline.stats.proportions import effective_divisor
from pipeline.stats.rates import clustered_garwood, garwood
from pipeline.stats.rates import design_effect as rate_effect
from pipeline.stats.stratified import mantel_haenszel
from pipeline.stats.survival import kaplan_meier
from pipeline.stats.times import median_design_effect, summary


def pairs(clusters: int) -> tuple[float, ...]:
    """Sums of so many clusters of two units, each with one event: nothing between them varies, the effect is 1."""
    return (clusters, 2 * clusters, clusters, clusters, 2 * clusters, 4 * clusters)


def limits(of: tuple[np.ndarray, np.ndarray]) -> list[float]:
    return [float(limit) for limit in of]


@pytest.mark.parametrize(("clusters", "few"), [(2, True), (3, True), (39, True), (40, False)])
def test_below_forty_clusters_students_t_widens_a_share(clusters: int, few: bool) -> None:
    """Korn and Graubard 1998: times (t / z)**2 with m - 1 degrees of freedom."""
    factor = (stats.t.ppf(0.975, clusters - 1) / stats.norm.ppf(0.975)) ** 2 if few else 1
    assert effective_divisor(*pairs(clusters)) == pytest.approx(factor)


def test_all_units_of_one_cluster_count_as_one() -> None:
    assert effective_divisor(3, 8, 1, 9, 24, 64) == 8
    # A rate has no units: all events of a single cluster count as one.
    assert limits(clustered_garwood(4, 100, 8, 1, 16, 400, 10_000)) == pytest.approx(limits(garwood(1, 25)))


def test_rates_of_patients_with_several_uses() -> None:
    """The variance of a ratio by hand: events 3, 0, 0, 1 over 10, 10, 20, 20 uses."""
    y, t = np.array([3.0, 0, 0, 1]), np.array([10.0, 10, 20, 20])
    sums = (y.sum(), t.sum(), 4, y @ y, y @ t, t @ t)
    r = 4 / 60
    assert rate_effect(*sums) == pytest.approx(4 / 3 * float(((y - r * t) ** 2).sum()) / 4)
    assert rate_effect(2, 60, 2, 2, 60, 1800) == 1  # alike by chance: never narrower
    divisor = rate_effect(*sums) * (stats.t.ppf(0.975, 3) / stats.norm.ppf(0.975)) ** 2
    expected = limits(garwood(4 / divisor, 60 / divisor))
    # Several events of a patient who is one unit, or several units of a patient with one event each: either will do.
    assert limits(clustered_garwood(sums[0], sums[1], 4, *sums[2:])) == pytest.approx(expected)
    single = (2, 60, 4, 2, 30, 1000)
    divisor = rate_effect(*single) * (stats.t.ppf(0.975, 3) / stats.norm.ppf(0.975)) ** 2
    found = limits(clustered_garwood(2, 60, 8, *single[2:]))
    assert found == pytest.approx(limits(garwood(2 / divisor, 60 / divisor)))
    assert limits(clustered_garwood(2, 60, 4, *single[2:])) == pytest.approx(limits(garwood(2, 60)))


def test_a_median_of_clusters() -> None:
    assert median_design_effect([5, 5, 5, 7, 7, 7], [0, 0, 0, 1, 1, 1]) == pytest.approx(6)  # 3 / 3 below, 0 / 3
    assert median_design_effect([1, 9, 2, 8, 3, 7], [0, 0, 1, 1, 2, 2]) == 1  # unlike in a cluster: never narrower
    assert median_design_effect([4] * 6, [0, 0, 0, 1, 1, 1]) == 3  # nothing tells: a cluster counts as one
    # The median is the largest value too: what lies below it tells.
    assert median_design_effect([5, 5, 5, 5, 1, 2], [0, 0, 1, 1, 2, 2]) == pytest.approx(
        3 / 2 * (2 * (2 / 3) ** 2 + (4 / 3) ** 2) / 36 / (2 / 9) * 6
    )
    # Three patients bound no median at 95 %, however many teeth each has.
    found = summary(np.arange(30.0), cluster=np.repeat([0, 1, 2], 10))
    assert (found.low, found.high) == (None, None)


def test_survival_of_clusters_is_never_surer_than_alone_and_few_cost_more() -> None:
    rng = np.random.default_rng(5)
    for many in (12, 60):
        time, event = np.ceil(rng.exponential(5, 2 * many)), rng.random(2 * many) < 0.7
        cluster = np.repeat(np.arange(many), 2)
        alone, together = kaplan_meier(time, event), kaplan_meier(time, event, cluster=cluster)
        inside = (alone.survival > 0) & (alone.survival < 1)
        assert np.all(together.low[inside] <= alone.low[inside] + 1e-12)
        assert np.all(together.high[inside] >= alone.high[inside] - 1e-12)
        # By hand at the first event time, before anything else: S = 1 - d / n, influences are those of a share.
        first = time == alone.times[0]
        gone = (first & event).astype(float)
        by_cluster = np.bincount(cluster, weights=gone - gone.mean())
        factor = many / (many - 1) if many < 40 else 1
        error = math.sqrt(factor * float((by_cluster**2).sum())) / time.size
        assert together.se_clustered[0] == pytest.approx(error)
        incidence = aalen_johansen(time, event.astype(int), cluster=cluster)
        place = int(np.searchsorted(incidence.times, alone.times[0]))
        assert incidence.se_clustered[1][place] == pytest.approx(error)
        apart = aalen_johansen(time, event.astype(int))
        known = np.isfinite(apart.low[1])
        assert np.all(incidence.low[1][known] <= apart.low[1][known] + 1e-12)


def test_all_alive_at_t_counts_the_clusters_that_are_watched_at_t() -> None:
    """One tail of Clopper and Pearson, n = 3: 0.025 ** (1 / 3)."""
    found = kaplan_meier([5, 5, 5], [0, 0, 0]).at(5)
    assert found is not None and found.low == pytest.approx(0.025 ** (1 / 3))


def test_one_patient_with_several_teeth_has_incidences_without_limits() -> None:
    found = aalen_johansen([1, 2, 3], [1, 0, 2], cluster=[7, 7, 7]).at(2, 1)
    assert found is not None and (found.estimate, found.low, found.high) == (pytest.approx(1 / 3), None, None)


def test_ten_clusters_of_each_group_are_enough() -> None:
    for many in (FEWEST_CLUSTERS - 1, FEWEST_CLUSTERS):
        cluster = np.repeat(np.arange(2 * many), 2)
        time, group = np.arange(1.0, 4 * many + 1), np.repeat([0, 1], 2 * many)
        assert (logrank(time, np.ones(4 * many), group, cluster=cluster).chi2 is None) == (many < FEWEST_CLUSTERS)


def test_a_distance_below_one_half_is_no_evidence_after_correction() -> None:
    """mantelhaen.test leaves such a distance uncorrected; squaring what is below 0 would make evidence of it."""
    found = mantel_haenszel([[[3, 3], [3, 4]], [[2, 3], [2, 3]]])
    assert found.chi2_corrected == 0 and found.p_corrected == 1


def test_students_t_below_forty_clusters_and_the_normal_from_forty_on() -> None:
    assert critical_value(39, 0.95, 3) == pytest.approx(stats.t.ppf(0.975, 36))
    assert critical_value(40, 0.95, 3) == pytest.approx(stats.norm.ppf(0.975))
    assert clustered_p(2.1, 39, 3) == pytest.approx(2 * stats.t.sf(2.1, 36))


@pytest.mark.parametrize("clusters", [20, 39, 40])
def test_a_logistic_model_loses_a_degree_of_freedom_a_term(clusters: int) -> None:
    rng = np.random.default_rng(3)
    code = np.repeat(np.arange(clusters), 3)
    x = rng.integers(0, 2, (code.size, 2))
    found = gee_logistic(rng.random(code.size) < 0.4 + 0.2 * x[:, 0], x, code, ["a", "b"])
    assert found is not None and found.few_clusters == (clusters < 40)
    critical = stats.t.ppf(0.975, clusters - 3) if clusters < 40 else stats.norm.ppf(0.975)
    assert found.high == pytest.approx(np.exp(np.array(found.coefficient) + critical * np.array(found.se)))
    z = np.abs(np.array(found.coefficient) / np.array(found.se))
    assert found.p == pytest.approx(2 * (stats.t(clusters - 3) if clusters < 40 else stats.norm).sf(z))
