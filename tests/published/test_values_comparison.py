"""Worked values of comparisons: propensities, weights and standardisation on NHEFS, E-values, Holm, Breslow-Day."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.stats import evalue, power, stratified, target_trial
from pipeline.stats.clustering import gee_logistic

from .entries import data, entry, hold

Array = np.ndarray[Any, Any]
NUMBERS = ("age", "wt71", "smokeintensity", "smokeyrs")  # in the order of the entry's differences


def nhefs() -> tuple[Array, Array, Array]:
    """Quit, weight gained, and the covariates of the book's models with an intercept."""
    found = data("nhefs")
    columns = [np.ones(found.height)]
    for name in ("sex", "race", "education", "exercise", "active"):
        values = found[name].to_numpy()
        columns += [(values == level).astype(float) for level in np.unique(values)[1:]]
    for name in ("age", "smokeintensity", "smokeyrs", "wt71"):
        values = found[name].to_numpy().astype(float) / 50  # squares of numbers near 1: the fit is the same
        columns += [values, values**2]
    return found["qsmk"].to_numpy() == 1, found["wt82_71"].to_numpy().astype(float), np.column_stack(columns)


def test_crude_shares_of_nhefs() -> None:
    quit_, gained, _ = nhefs()
    means = gained[quit_].mean(), gained[~quit_].mean()
    counts = {"n1": quit_.sum(), "n0": (~quit_).sum()}
    hold(entry("nhefs-crude"), {"mean1": means[0], "mean0": means[1], "diff": means[0] - means[1], **counts})


def test_inverse_probability_weights_of_nhefs() -> None:
    quit_, gained, x = nhefs()
    choice = target_trial.fit(x, quit_.astype(float), ridge=0)
    design = target_trial.Design(np.ones(quit_.size, dtype=bool), x, quit_, choice, (0.0, 0.0), ())
    w = target_trial.weights(design, "weighted")
    one, other = (float(np.average(gained[s], weights=w[s])) for s in (quit_, ~quit_))
    figures = {"mean1": one, "mean0": other, "diff": one - other, "weight_mean": w.mean()}
    hold(entry("nhefs-ipw"), figures | {"weight_range": [w.min(), w.max()]})


def test_overlap_of_nhefs() -> None:
    quit_, _, x = nhefs()
    choice = target_trial.fit(x, quit_.astype(float), ridge=0)
    design = target_trial.Design(np.ones(quit_.size, dtype=bool), x, quit_, choice, (0.0, 0.0), ())
    w = target_trial.weights(design, "weighted")
    values = data("nhefs").select(NUMBERS).to_numpy().astype(float)
    before, after = target_trial.standardised_mean_differences(values, quit_, w)
    # Nothing here uses the entry's common support, nor counts who lies outside it.
    sizes = {"ess1": target_trial.effective_size(w[quit_]), "ess0": target_trial.effective_size(w[~quit_])}
    found = {"smd_before": before, "smd_after": after}
    hold(entry("nhefs-overlap"), found | sizes)


def test_g_formula_of_nhefs() -> None:
    quit_, gained, x = nhefs()
    intensity = data("nhefs")["smokeintensity"].to_numpy().astype(float) / 50

    def design(side: Array) -> Array:
        return np.column_stack([x, side, side * intensity])

    model = target_trial.fit(design(quit_.astype(float)), gained, ridge=0, link="linear")
    one, other = (float((design(np.full(quit_.size, s)) @ model.coefficient).mean()) for s in (1.0, 0.0))
    hold(entry("nhefs-gformula"), {"mean1": one, "mean0": other, "diff": one - other})


@pytest.mark.parametrize("name", ["evalue-3.9", "evalue-0.8", "evalue-crosses-1"])
def test_e_values(name: str) -> None:
    given = entry(name)["inputs"]
    limit = evalue.e_value_of_limit(given["low"], given["high"])
    hold(entry(name), {"e_point": evalue.e_value(given["rr"]), "e_limit": limit})


@pytest.mark.parametrize("name", ["holm-bh1995", "holm-bh-order"])
def test_p_values_of_many_comparisons(name: str) -> None:
    of = entry(name)
    adjusted = {"holm": power.holm(of["inputs"]["p"]), "bh": power.benjamini_hochberg(of["inputs"]["p"])}
    hold(of, {key: value for key, value in adjusted.items() if key in of["expected"]})


def test_equal_odds_ratios_of_nine_trials() -> None:
    of = entry("breslow-day-collins")
    x1, n1, x2, n2 = (np.array(of["inputs"][k]) for k in ("x1", "n1", "x2", "n2"))
    tables = np.stack([np.stack([x1, n1 - x1], 1), np.stack([x2, n2 - x2], 1)], 1)
    found = stratified.mantel_haenszel(tables)
    figures = {"or_mh": found.odds_ratio, "low": found.odds_low, "high": found.odds_high, "bd": found.breslow_day}
    figures |= {"bd_p": found.breslow_day_p, "tarone": found.tarone, "tarone_p": found.tarone_p}
    hold(of, figures | {"df": found.strata_used_odds - 1})
    drawn = stratified.equal_odds_p(tables)
    assert drawn is not None and drawn < 0.002  # of 4,000 draws; the asymptotic one is 0.0003


def test_few_districts_of_californian_schools() -> None:
    """The entry's model is of independent units: a working correlation would give others."""
    of, schools = entry("mancl-derouen-api-logit"), data("apiclus1")
    x = np.column_stack([np.ones(schools.height), schools["meals"].to_numpy().astype(float)])
    found = target_trial.fit(x, (schools["sch.wide"] == "Yes").to_numpy().astype(float), ridge=0)
    hold(of, {"coef": found.coefficient})
    fitted = gee_logistic((schools["sch.wide"] == "Yes").to_numpy(), x[:, 1], schools["dnum"].to_numpy(), ["meals"])
    assert fitted is not None and fitted.few_clusters
