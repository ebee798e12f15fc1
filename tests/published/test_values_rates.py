"""Rates compared: worked values of check-values-2.json (R's poisson.test, epiR, metafor; see each entry's source)."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.stats import power, rates, risk_ratio, stratified_rates

from .entries import entry, hold


def test_mantel_haenszel_rate_ratio_of_british_doctors() -> None:
    e = entry("mh-rate-ratio-doctors")
    given = e["inputs"]
    sides = given["events1"], given["time1"], given["events0"], given["time0"]
    found = stratified_rates.mantel_haenszel_rate(*sides)
    x1, t1, x0, t0 = (sum(v) for v in sides)
    hold(
        e,
        {
            "rr": found.ratio,
            "low": found.low,
            "high": found.high,
            "se_log": found.se_log,
            "chi2_mh": found.chi2,
            "heterogeneity_q": found.q,
            "heterogeneity_p": found.q_p,
            "crude": rates.rate_ratio_exact(x1, t1, x0, t0).ratio,
        },
    )


def test_exact_ratio_of_one_stratum_is_that_of_r() -> None:
    e = entry("rate-ratio-exact-doctors35")
    given = e["inputs"]
    plain = rates.rate_ratio_exact(**given)
    hold(e, {"rr": plain.ratio, "low": plain.low, "high": plain.high, "p_value": plain.p})
    found = stratified_rates.exact_ratio([given["x1"]], [given["t1"]], [given["x2"]], [given["t2"]])
    hold(e, {"low": found.low, "high": found.high, "p_value": found.p})


def test_no_event_on_one_side_has_an_upper_bound_and_a_median_unbiased_ratio() -> None:
    e = entry("rate-ratio-zero-events")
    given = e["inputs"]
    found = stratified_rates.exact_ratio([given["x1"]], [given["t1"]], [given["x2"]], [given["t2"]])
    hold(
        e,
        {
            "median_unbiased": found.median_unbiased,
            "low": found.low,
            "high": found.high,
            "p_value": found.p,
            "mle": rates.rate_ratio_exact(**given).ratio,
        },
    )
    turned = stratified_rates.exact_ratio([given["x2"]], [given["t2"]], [given["x1"]], [given["t1"]])
    assert turned.high is None
    assert turned.median_unbiased == pytest.approx(1 / found.median_unbiased)  # type: ignore[operator]
    assert turned.low == pytest.approx(1 / found.high)  # type: ignore[operator]


def test_upper_bound_of_a_rate_without_events() -> None:
    e = entry("poisson-zero-median-unbiased")
    given = e["inputs"]["events"], e["inputs"]["exposure"]
    hold(
        e,
        {
            "upper_two_sided": float(rates.garwood(*given, 0.95)[1]),
            "upper_one_sided": float(rates.garwood(*given, 0.90)[1]),
            "median_unbiased": float(rates.garwood(*given, 1e-12)[1]),
        },
    )


def test_pooled_ratio_of_shares_in_thirteen_trials() -> None:
    e = entry("mh-pooled-bcg")
    t = {k: np.array(v) for k, v in e["inputs"].items()}
    counts = np.stack([t["tpos"], t["tneg"], t["cpos"], t["cneg"]], 1)
    stratum, cell = (np.repeat(at, counts.ravel()) for at in np.indices(counts.shape).reshape(2, -1))
    each = np.arange(stratum.size), (cell + 1) % 2, np.ones(stratum.size)  # every person a cluster
    ratio = risk_ratio.clustered_ratio(stratum, cell < 2, *each)
    assert ratio.ratio is not None and ratio.low is not None
    hold(e, {"log_rr": np.log(ratio.ratio), "log_rr_se": (np.log(ratio.ratio) - np.log(ratio.low)) / 1.959963984540054})


def test_corrections_for_many_pairs() -> None:
    e = entry("holm-bh-order")
    hold(e, {"holm": power.holm(e["inputs"]["p"]), "bh": power.benjamini_hochberg(e["inputs"]["p"])})
