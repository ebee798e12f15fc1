"""What several teeth of one patient cost, against R's survival and survey packages on open data."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.stats import amounts, proportions
from pipeline.stats import logrank as logrank_of
from pipeline.stats.survival import KaplanMeier, kaplan_meier
from pipeline.stats.times import median_design_effect, share_error

from .entries import data, entry, hold


def at(curve: KaplanMeier, figures: np.ndarray, times: list[float]) -> list[float]:
    """A curve's figures just after some times."""
    return [float(figures[np.searchsorted(curve.times, t, side="right") - 1]) for t in times]


def test_kaplan_meier_of_two_eyes_a_patient() -> None:
    e, eyes = entry("km-cluster-diabetic"), data("diabetic")
    curve = kaplan_meier(eyes["time"], eyes["status"], cluster=eyes["id"])
    times = e["inputs"]["times"]
    hold(
        e,
        {
            "S": at(curve, curve.survival, times),
            "se_greenwood": at(curve, curve.se, times),
            "se_cluster": at(curve, curve.se_clustered, times),
        },
    )


def test_with_one_eye_a_patient_it_is_greenwood() -> None:
    e, eyes = entry("km-cluster-diabetic-by-arm"), data("diabetic")
    times = e["inputs"]["times"]
    found = {}
    for name, arm in (("untreated", 0), ("treated", 1)):
        own = eyes.filter(eyes["trt"] == arm)
        curve = kaplan_meier(own["time"], own["status"], cluster=own["id"])
        plain = kaplan_meier(own["time"], own["status"])
        for figures in ("se_clustered", "low", "high"):
            np.testing.assert_array_equal(getattr(curve, figures), getattr(plain, figures.replace("_clustered", "")))
        found |= {f"S_{name}": at(curve, curve.survival, times), f"se_{name}": at(curve, curve.se_clustered, times)}
    hold(e, found)


def test_logrank_by_patient() -> None:
    """The residuals that the test is made of give R's robust chi-square (Breslow's ties).

    There every patient has an eye in each arm, which makes the robust variance smaller; the program's test never gains
    by it.
    """
    e, eyes = entry("logrank-cluster-diabetic"), data("diabetic")
    time, seen, arm = (eyes[c].to_numpy() for c in ("time", "status", "trt"))
    residuals = logrank_of.score_residuals(time.astype(float), seen == 1, arm)[:, 1]
    _, patient = np.unique(eyes["id"].to_numpy(), return_inverse=True)
    of_patient = np.bincount(patient, weights=residuals)
    hold(e, {"robust_chi2_breslow": of_patient.sum() ** 2 / (of_patient**2).sum()})
    found, plain = (logrank_of.logrank(time, seen, arm, cluster=c) for c in (eyes["id"], None))
    assert found.chi2 == pytest.approx(plain.chi2)
    assert found.df == 1


def test_logrank_of_the_eyes_as_if_independent() -> None:
    e, eyes = entry("logrank-cluster-diabetic"), data("diabetic")
    found = logrank_of.logrank(eyes["time"], eyes["status"], eyes["trt"])
    # The classical test's variance is hypergeometric at ties, the score test's binomial: they differ by that alone.
    assert found.chi2 == pytest.approx(e["expected"]["score_chi2_breslow"], rel=0.005)


def test_quantiles_by_woodruff() -> None:
    """The error of F(q) that a median's design effect is made of, turned back through the quantiles by hand."""
    from scipy import stats

    e, schools = entry("woodruff-apiclus1"), data("apiclus1")
    x, district = schools["api00"].to_numpy(), schools["dnum"].to_numpy()
    t = stats.t.ppf(0.975, np.unique(district).size - 1)
    found: dict[str, list[float]] = {"quantile": [], "ci_low": [], "ci_high": [], "se": []}
    for p in e["inputs"]["probs"]:
        q = np.quantile(x, p, method="inverted_cdf")
        share = (x <= q).mean()
        half = t * share_error(x <= q, district)
        low, high = (np.quantile(x, share + side * half, method="inverted_cdf") for side in (-1, 1))
        for name, value in (("quantile", q), ("ci_low", low), ("ci_high", high), ("se", (high - low) / 2 / t)):
            found[name].append(float(value))
    hold(e, found)
    share = (x <= np.median(x)).mean()
    error = share_error(x <= np.median(x), district)
    assert error is not None
    assert median_design_effect(x, district) == pytest.approx(error**2 / (share * (1 - share) / x.size))


def test_mean_of_schools_in_districts() -> None:
    from scipy import stats

    e, schools = entry("deff-mean-apiclus1"), data("apiclus1")
    x, district = schools["api00"].to_numpy().astype(float), schools["dnum"].to_numpy()
    _, code = np.unique(district, return_inverse=True)
    y, n = np.bincount(code, weights=x), np.bincount(code)
    mean, low, high = amounts.mean_interval(
        x.sum(), x.size, (y**2).sum(), y.size, (y * n).sum(), (n**2).sum(), 0.95, (x**2).sum()
    )
    se = (high - low) / 2 / stats.t.ppf(0.975, y.size - 1)
    alone = x.var(ddof=1) / x.size * (1 - x.size / schools["pw"].sum())  # R draws without replacement from all schools
    hold(e, {"mean": float(mean), "se": float(se), "deff": float(se**2 / alone)})


def test_a_share_never_gains_by_its_clusters() -> None:
    """R's design effect is .700 here; an effective n above n would promise more than n independent schools do."""
    e = entry("rao-scott-proportion-api")
    y, n = np.array(e["inputs"]["y_n_by_cluster"], dtype=float).T
    sums = (y.sum(), n.sum(), y.size, (y**2).sum(), (y * n).sum(), (n**2).sum())
    p = y.sum() / n.sum()
    m = y.size
    se = np.sqrt(m / (m - 1) * ((y - p * n) ** 2).sum()) / n.sum()
    hold(e, {"p": p, "se": se, "deff_replace": se**2 / (p * (1 - p) / (n.sum() - 1))})  # R divides by n - 1
    assert proportions.design_effect(*sums) == 1
    low, high = proportions.clustered_wilson(*sums)
    plain_low, plain_high = proportions.wilson(y.sum(), n.sum())
    # 15 districts: Student's t with 14 degrees of freedom on top.
    assert low < plain_low < p < plain_high < high
    assert low < e["expected"]["logit_ci"][0] and e["expected"]["logit_ci"][1] < high
