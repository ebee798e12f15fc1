"""Worked values of small units drawn towards the whole, and of indirect standardisation."""

from __future__ import annotations

from scipy.stats import nbinom

from pipeline.stats import rates, shrinkage

from .entries import entry, hold


def test_pumps_by_maximum_likelihood() -> None:
    of = entry("eb-pumps-ml")
    events, exposure = of["inputs"]["events"], of["inputs"]["exposure"]
    prior = shrinkage.gamma_prior(events, exposure)
    assert prior is not None
    rate = 1 / prior.scale
    loglik = sum(nbinom.logpmf(x, prior.shape, rate / (rate + t)) for x, t in zip(events, exposure, strict=True))
    found = {"shape": prior.shape, "rate": rate, "mean": prior.shape * prior.scale, "loglik": loglik}
    hold(of, found | {"posterior_mean": shrinkage.gamma_poisson(events, exposure, prior)})


def test_british_doctors_observed_against_expected() -> None:
    of = entry("smr-indirect-doctors")
    given = of["inputs"]
    usual = [d / t for d, t in zip(given["events0"], given["time0"], strict=True)]
    expected = sum(r * t for r, t in zip(usual, given["time1"], strict=True))
    observed = sum(given["events1"])
    low, high = rates.garwood(observed, expected)
    hold(of, {"observed": observed, "expected": expected, "smr": observed / expected, "low": low, "high": high})
