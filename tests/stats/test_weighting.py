"""Weights for loss to follow-up: by hand, against statsmodels, and over many practices whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from pipeline.stats.proportions import wilson
from pipeline.stats.weighting import weighted_share


def practice(seed: int, teeth: int = 400) -> tuple[np.ndarray, ...]:
    """Teeth with a lesion heal less and come less; within lesion coming says nothing of healing."""
    rng = np.random.default_rng(seed)
    patient = rng.integers(0, teeth * 3 // 4, teeth)
    lesion = rng.random(teeth) < 0.5
    molar = rng.random(teeth) < 0.4
    healed = rng.random(teeth) < np.where(lesion, 0.7, 0.95)
    seen = rng.random(teeth) < np.where(lesion, 0.3, 0.75) - 0.1 * molar
    return seen, healed, lesion, molar, patient


TRUE = 0.5 * 0.95 + 0.5 * 0.7


def test_by_hand() -> None:
    # 10 with a lesion, 4 seen of whom 1 healed; 10 without, 5 seen of whom 4 healed.
    # Weights 2.5 and 2: (2.5 + 8) / (10 + 10) = 0.525 against 5/9.
    seen = [1] * 4 + [0] * 6 + [1] * 5 + [0] * 5
    event = [1, 0, 0, 0] + [0] * 6 + [1, 1, 1, 1, 0] + [0] * 5
    found = weighted_share(seen, event, [["yes"] * 10 + ["no"] * 10])
    assert found.estimate == pytest.approx(0.525, abs=1e-6)
    assert found.unweighted == pytest.approx(5 / 9)
    assert found.largest_weight == pytest.approx(2.5, abs=1e-5)
    assert (found.n_seen, found.n, found.not_represented) == (9, 20, 0)
    # One binary characteristic: the weighted share is the directly standardised one, whose variance is known:
    # sum of (1/2)**2 p (1 - p) / n_seen, + the variance between the two kinds over all 20 (drawn, not fixed).
    kinds = ((0.25, 4), (0.8, 5))
    within = sum(0.25 * p * (1 - p) / n for p, n in kinds)
    between = 0.5 * 0.5 * (0.8 - 0.25) ** 2 / 20
    se = np.sqrt((within + between) * 20 / 19)
    half = 1.959964 * se / (0.525 * 0.475)
    odds = np.log(0.525 / 0.475)
    assert found.low == pytest.approx(1 / (1 + np.exp(half - odds)), abs=1e-4)
    assert found.high == pytest.approx(1 / (1 + np.exp(-half - odds)), abs=1e-4)


def test_the_chance_of_being_seen_is_statsmodels_own() -> None:
    seen, healed, lesion, molar, _ = practice(1)
    fit = sm.Logit(seen.astype(float), np.column_stack([np.ones(seen.size), lesion, molar])).fit(disp=0)
    w = seen / fit.predict()
    found = weighted_share(seen, healed, [lesion, molar])
    assert found.estimate == pytest.approx((w * healed).sum() / w.sum(), abs=1e-6)
    assert found.largest_weight == pytest.approx(w.max(), abs=1e-4)


def test_weighted_is_unbiased_and_covers_the_truth_where_the_plain_share_does_not() -> None:
    weighted, plain, covered = [], [], 0
    for seed in range(400):
        seen, healed, lesion, molar, patient = practice(seed)
        found = weighted_share(seen, healed, [lesion, molar], patient)
        assert found.estimate is not None and found.low is not None and found.high is not None
        weighted.append(found.estimate)
        plain.append(found.unweighted)
        covered += found.low <= TRUE <= found.high
    assert np.mean(weighted) == pytest.approx(TRUE, abs=0.004)
    assert np.mean(plain) > TRUE + 0.04
    assert 0.93 <= covered / 400 <= 0.975, covered / 400


def test_the_error_is_that_of_patients_drawn_again() -> None:
    seen, healed, lesion, molar, patient = practice(7, 1200)
    found = weighted_share(seen, healed, [lesion, molar], patient)
    names, code = np.unique(patient, return_inverse=True)
    members = [np.flatnonzero(code == c) for c in range(names.size)]
    rng = np.random.default_rng(1)
    again = []
    for _ in range(400):
        rows = np.concatenate([members[c] for c in rng.integers(0, names.size, names.size)])
        again.append(weighted_share(seen[rows], healed[rows], [lesion[rows], molar[rows]]).estimate)
    assert found.low is not None and found.high is not None
    assert (found.high - found.low) / (2 * 1.96) == pytest.approx(np.std(again), rel=0.15)


def test_teeth_of_one_patient_widen_the_interval() -> None:
    seen, healed, lesion, molar, _ = practice(3)
    three = [np.repeat(v, 3) for v in (seen, healed, lesion, molar)]
    alone = weighted_share(seen, healed, [lesion, molar])
    together = weighted_share(*three[:2], three[2:], np.repeat(np.arange(seen.size), 3))
    apart = weighted_share(*three[:2], three[2:])
    assert (together.low, together.high) == pytest.approx((alone.low, alone.high), abs=1e-6)
    assert apart.high - apart.low < 0.7 * (alone.high - alone.low)


def test_kinds_of_which_nobody_or_everybody_was_seen() -> None:
    seen = [1, 1, 1, 0, 0, 0]
    event = [1, 0, 1, 0, 0, 0]
    found = weighted_share(seen, event, [["a", "a", "a", "b", "b", "b"]])
    assert found.estimate == pytest.approx(2 / 3, abs=1e-4)
    assert found.not_represented == 3
    assert found.largest_weight == pytest.approx(1, abs=1e-3)
    nobody = weighted_share([0, 0], [0, 0], [["a", "b"]])
    assert (nobody.estimate, nobody.n_seen, nobody.not_represented) == (None, 0, 2)
    every = weighted_share([1] * 20, [1] * 20, [["a"] * 20])
    low, high = wilson(20, 20)
    assert (every.estimate, every.low, every.high) == (pytest.approx(1), pytest.approx(low), pytest.approx(high))
    with pytest.raises(ValueError):
        weighted_share([1, 0], [1], [["a", "b"]])
