"""Every published figure in check-values.json against the project's own functions.

An adapter carries an entry's inputs to one of our functions and names the answers; it computes nothing itself. The
expectation, its source and its tolerance are the entry's own.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.special import expit

from pipeline.stats import (
    clustering,
    competing,
    cusum,
    funnel,
    power,
    process,
    proportions,
    rates,
    shrinkage,
    stratified,
    survival,
    times,
)
from pipeline.stats import logrank as logrank_of

ENTRIES: list[dict[str, Any]] = json.loads((Path(__file__).parent / "check-values.json").read_text(encoding="utf-8"))

# Methods of the reference list, and single figures of others, that have no estimator here. Adding one means taking it
# out and adding its adapter below.
NOT_YET: dict[str, list[str]] = {
    "nothing here uses it": [
        "bernoulli_cusum_weight",
        "cohen_h",
        "design_effect",
        "funnel_exact_binomial",
        "funnel_exact_poisson",
        "hodges_lehmann_ci",
        "icc_oneway",
        "james_stein",
        "power_cohen_h",
        "quantile_definitions",
        "rate_ratio_test",
        "weibull_right_censored",
        "gamma_poisson_shrinkage: robbins",
        "iqr: iqr",
        "median_order_statistic_ci: coverage",
        "smr_exact_ci: smr",
        "zero_events_upper: rule_of_three",
    ],
}
_NAMES = {name for names in NOT_YET.values() for name in names}
METHODS_NOT_YET = {name for name in _NAMES if ": " not in name}
FIGURES_NOT_YET = {tuple(name.split(": ")) for name in _NAMES - METHODS_NOT_YET}

PRINTED_D2 = 1.128  # as tables and most worked examples have it; limits differ in the fourth digit

Adapter = Callable[[dict[str, Any]], dict[str, Any]]


def wilson(i: dict[str, Any]) -> dict[str, Any]:
    low, high = proportions.wilson(i["x"], i["n"], i["conf"])
    return {"low": low, "high": high}


def clopper_pearson(i: dict[str, Any]) -> dict[str, Any]:
    low, high = proportions.clopper_pearson(i["x"], i["n"], i["conf"])
    return {"low": low, "high": high}


def zero_events(i: dict[str, Any]) -> dict[str, Any]:
    return {"exact": proportions.clopper_pearson(0, i["n"], 2 * i["one_sided_conf"] - 1)[1]}


def newcombe(i: dict[str, Any]) -> dict[str, Any]:
    difference, low, high = proportions.newcombe_difference(i["x1"], i["n1"], i["x2"], i["n2"], i["conf"])
    return {"diff": difference, "low": low, "high": high}


def garwood(i: dict[str, Any]) -> dict[str, Any]:
    low, high = rates.garwood(i["events"], i["exposure"], i["conf"])
    return {"low": low, "high": high}


def rate_ratio(i: dict[str, Any]) -> dict[str, Any]:
    r = rates.rate_ratio_exact(i["x1"], i["t1"], i["x2"], i["t2"], i["conf"])
    return {"rr": r.ratio, "low": r.low, "high": r.high, "p_value": r.p}


def smr(i: dict[str, Any]) -> dict[str, Any]:
    low, high = rates.garwood(i["observed"], i["expected"], i["conf"])
    return {"low": low, "high": high}


def mantel_haenszel(i: dict[str, Any]) -> dict[str, Any]:
    m = stratified.mantel_haenszel(i["tables"] if "tables" in i else i["tables_rows_male_female_cols_admit_reject"])
    return {
        "or_mh": m.odds_ratio,
        "ci_low": m.odds_low,
        "ci_high": m.odds_high,
        "chi2": m.chi2,
        "p": m.p,
        "chi2_cc": m.chi2_corrected,
        "p_cc": m.p_corrected,
        "bd": m.breslow_day,
        "bd_p": m.breslow_day_p,
        "bd_tarone": m.tarone,
    }


def kaplan_meier(i: dict[str, Any]) -> dict[str, Any]:
    km = survival.kaplan_meier(i["time"], i["event"])
    return {
        "times": km.times,
        "at_risk": km.at_risk,
        "events": km.events,
        "surv": km.survival,
        "se": km.se,
        "median": km.median(),
    }


def kaplan_meier_loglog(i: dict[str, Any]) -> dict[str, Any]:
    km = survival.kaplan_meier(i["time"], i["event"], i["conf"])
    return {"low": km.low, "high": km.high}


def kaplan_meier_plain(i: dict[str, Any]) -> dict[str, Any]:
    km = survival.kaplan_meier(i["time"], i["event"], i["conf"], interval="plain")
    return {"low": km.low, "high": km.high}


def logrank(i: dict[str, Any]) -> dict[str, Any]:
    group = [1] * len(i["time1"]) + [2] * len(i["time2"])
    test = logrank_of.logrank(i["time1"] + i["time2"], i["event1"] + i["event2"], group, i.get("weight"))
    return {"chi2": test.chi2, "p": test.p, "observed": test.observed, "expected": test.expected}


def turnbull(i: dict[str, Any]) -> dict[str, Any]:
    found = survival.turnbull(i["left"], [float(r) for r in i["right"]])
    held = found.mass > 5e-5  # EM leaves specks where the estimate is 0; the printed masses have four decimals
    return {
        "interval_left": found.left[held],
        "interval_right": found.right[held],
        "mass": found.mass[held],
        "loglik": found.loglik,
    }


def aalen_johansen(i: dict[str, Any]) -> dict[str, Any]:
    found = competing.aalen_johansen(i["time"], i["cause"])
    answers: dict[str, Any] = {"times": found.times}
    for cause, curve in found.incidence.items():
        answers[f"cif{cause}"], answers[f"se{cause}"] = curve, found.se[cause]
    return answers


def xmr(i: dict[str, Any]) -> dict[str, Any]:
    chart = process.individuals(i["x"], d2=i["d2"])
    return {
        "mean": chart.centre,
        "mr": chart.mean_range,
        "ucl": chart.high,
        "lcl": chart.low,
        "ucl_mr": chart.range_high,
    }


def xmr_constants(i: dict[str, Any]) -> dict[str, Any]:
    return {"d2": process.D2, "e2": process.individuals_factor(), "d4": process.range_factor()}


def p_chart(i: dict[str, Any]) -> dict[str, Any]:
    chart = process.p_chart(i["x"], i["n"])
    answers: dict[str, Any] = {"p": chart.centre, "ucl": chart.high[0], "lcl": chart.low[0]}
    if isinstance(i["n"], list):
        at = i["n"].index(100)
        return answers | {"ucl_n100": chart.high[at], "lcl_n100": chart.low[at]}
    kept = [k not in (15, 23) for k in range(1, len(i["x"]) + 1)]  # the entry's note: samples 15 and 23 are dropped
    revised = process.p_chart(i["x"], i["n"], baseline=kept)
    return answers | {"p_rev": revised.centre, "ucl_rev": revised.high[0], "lcl_rev": revised.low[0]}


def c_chart(i: dict[str, Any]) -> dict[str, Any]:
    chart = process.u_chart(i["x"], 1.0)
    return {"c": chart.centre, "ucl": chart.high[0], "lcl": chart.low[0]}


def u_chart(i: dict[str, Any]) -> dict[str, Any]:
    chart = process.u_chart(i["x"], i["n"])
    return {"u": chart.centre, "ucl": chart.high[0], "lcl": chart.low[0]}


def anhoej(i: dict[str, Any]) -> dict[str, Any]:
    longest, crossings = process.anhoej_limits(i["n_useful"])
    return {"longest_run_max": longest, "crossings_min": crossings}


def g_chart(i: dict[str, Any]) -> dict[str, Any]:
    chart = process.g_chart(i["days_between"])
    return {
        "mean": chart.mean,
        "ucl_3s": chart.high,
        "lcl_3s": chart.low,
        "p_hat_mle": chart.p,
        "upper_prob_99865": chart.high_probability,
    }


def t_chart(i: dict[str, Any]) -> dict[str, Any]:
    exponent = process.T_POWER if i["power"] == "1/3.6" else i["power"]
    chart = process.t_chart(i["hours"], exponent, d2=PRINTED_D2)
    return {
        "first_transformed": process.t_transformed(i["hours"], exponent)[:4],
        "mean": chart.mean,
        "mr": chart.mean_range,
        "ucl": chart.transformed_high,
        "lcl": chart.transformed_low,
        "centre_back": chart.centre,
        "ucl_back": chart.high,
    }


def median_ranks(i: dict[str, Any]) -> dict[str, Any]:
    low, high = times.median_ranks(i["n"], i["conf"]) or (None, None)
    return {"rank_low": low, "rank_high": high}


def iqr(i: dict[str, Any]) -> dict[str, Any]:
    found = times.summary(i["x"])
    return {"q1": found.q1, "median": found.median, "q3": found.q3}


def benjamini_hochberg(i: dict[str, Any]) -> dict[str, Any]:
    adjusted = power.benjamini_hochberg(i["p"])
    return {
        "adjusted_bh": adjusted,
        "n_bh": np.sum(adjusted <= i["q"]),
        "n_holm": np.sum(power.holm(i["p"]) <= i["q"]),
        "n_bonferroni": np.sum(power.bonferroni(i["p"]) <= i["q"]),
    }


def power_two_proportions(i: dict[str, Any]) -> dict[str, Any]:
    return {
        "power_n50": power.power_two_proportions(i["p1"], i["p2"], 50, alpha=i["alpha"]),
        "n_power90": power.sample_size(i["p1"], i["p2"], power=0.9, alpha=i["alpha"]),
    }


def overdispersion(i: dict[str, Any]) -> dict[str, Any]:
    found = funnel.overdispersion(i["observed"], i["n"], i["winsor"])
    return {"target": found.target, "phi": found.phi, "tau2": found.tau2}


def risk_adjusted(i: dict[str, Any]) -> dict[str, Any]:
    score, outcome = np.array(i["cases_parsonnet_outcome"]).T
    intercept, slope = i["logit"]
    return {"weights": cusum.weights(expit(intercept + slope * score), outcome, i["RA"], i["R0"])}


def gamma_poisson(i: dict[str, Any]) -> dict[str, Any]:
    units = np.array(i["counts_0_to_7"])
    claims = np.arange(units.size)
    prior = shrinkage.gamma_prior(np.repeat(claims, units))
    assert prior is not None
    return {
        "nu": prior.shape,
        "sigma": prior.scale,
        "gamma_mle": shrinkage.gamma_poisson(claims[:-1], 1, prior),
    }


def gee(i: dict[str, Any]) -> dict[str, Any]:
    """Children by pattern of wheeze at four ages, unfolded to one row an age of a child."""
    patterns = i["response_patterns_age7to10_counts_nonsmoker_smoker"]
    answers = np.array([[int(c) for c in pattern] for pattern in patterns])
    children = np.array(list(patterns.values()))
    wheeze = np.concatenate([np.repeat(answers, children[:, k], axis=0) for k in (0, 1)])
    smoke = np.repeat([0, 1], children.sum(axis=0))[:, None] * np.ones(4)
    age = np.ones((len(wheeze), 1)) * i["age_coding"]
    child = np.arange(len(wheeze))[:, None] * np.ones(4)
    terms = np.column_stack([age.ravel(), smoke.ravel(), (age * smoke).ravel()])
    found = clustering.gee_logistic(wheeze.ravel(), terms, child.ravel(), ["age", "smoke", "age x smoke"])
    assert found is not None
    return {"coef": found.coefficient, "robust_se": found.se, "alpha": found.alpha}


ADAPTERS: dict[str, Adapter] = {
    "aalen_johansen": aalen_johansen,
    "anhoej_rules": anhoej,
    "benjamini_hochberg": benjamini_hochberg,
    "breslow_day": mantel_haenszel,
    "c_chart": c_chart,
    "clopper_pearson_ci": clopper_pearson,
    "g_chart": g_chart,
    "gamma_poisson_shrinkage": gamma_poisson,
    "gee_logistic": gee,
    "iqr": iqr,
    "kaplan_meier": kaplan_meier,
    "kaplan_meier_loglog_ci": kaplan_meier_loglog,
    "kaplan_meier_plain_ci": kaplan_meier_plain,
    "logrank": logrank,
    "mantel_haenszel": mantel_haenszel,
    "median_order_statistic_ci": median_ranks,
    "newcombe_diff_ci": newcombe,
    "overdispersion": overdispersion,
    "p_chart": p_chart,
    "poisson_exact_ci": garwood,
    "power_two_proportions": power_two_proportions,
    "ra_cusum_weight": risk_adjusted,
    "rate_ratio_exact": rate_ratio,
    "smr_exact_ci": smr,
    "t_chart": t_chart,
    "turnbull_npmle": turnbull,
    "u_chart": u_chart,
    "weighted_logrank": logrank,
    "wilson_ci": wilson,
    "xmr": xmr,
    "xmr_constants": xmr_constants,
    "zero_events_upper": zero_events,
}

READY = [entry for entry in ENTRIES if entry["method"] not in METHODS_NOT_YET]


def _name(entry: dict[str, Any]) -> str:
    return f"{entry['id']} [{entry['source'][:60]}]"


def test_the_list_of_missing_methods_is_exact() -> None:
    methods = {entry["method"] for entry in ENTRIES}
    assert methods - set(ADAPTERS) == METHODS_NOT_YET
    assert not METHODS_NOT_YET & set(ADAPTERS)
    figures = {(entry["method"], field) for entry in READY for field in entry["expected"]}
    assert figures >= FIGURES_NOT_YET
    assert set(ADAPTERS) <= methods


def test_entries_are_told_apart() -> None:
    assert len({entry["id"] for entry in ENTRIES}) == len(ENTRIES) == 97


@pytest.mark.parametrize("entry", READY, ids=_name)
def test_published_value(entry: dict[str, Any]) -> None:
    answers = ADAPTERS[entry["method"]](entry["inputs"])
    expected = {k: v for k, v in entry["expected"].items() if (entry["method"], k) not in FIGURES_NOT_YET}
    if "t" in expected:  # figures at chosen times only
        at = np.searchsorted(answers["times"], expected.pop("t"))
        answers = {key: np.asarray(value)[at] for key, value in answers.items()}
    assert expected, f"{entry['id']} expects nothing"
    for field, value in expected.items():
        tolerance = entry["tolerance"][field] if isinstance(entry["tolerance"], dict) else entry["tolerance"]
        assert answers[field] is not None, f"{entry['id']}: {field} is not estimated"
        found, wanted = np.asarray(answers[field], dtype=float), np.asarray(value, dtype=float)
        told = f"{entry['id']}, {field}: {found} but {wanted} (within {tolerance}) in {entry['source']}"
        assert found.shape == wanted.shape, told
        assert np.all(np.abs(found - wanted) <= tolerance + 1e-15), told
