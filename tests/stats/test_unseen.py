"""Events seen only at visits: against Turnbull's own masses, a published table, and what the bootstrap must do."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from pipeline.stats.survival import turnbull
from pipeline.stats.unseen import event_by

VALUES = Path(__file__).parents[1] / "published" / "check-values.json"


def cosmesis() -> tuple[np.ndarray, np.ndarray]:
    """Radiotherapy alone, 46 patients: Finkelstein and Wolfe, Biometrics 1985;41:933-945 (Beadle 1984)."""
    text = VALUES.read_text(encoding="utf-8")
    entries = json.loads(text)
    entries = entries if isinstance(entries, list) else entries["entries"]
    given = next(e for e in entries if e["id"] == "turnbull-cosmesis-rt")["inputs"]
    right = [np.inf if r in (None, "inf", "Infinity") else float(r) for r in given["right"]]
    return np.array(given["left"], dtype=float), np.array(right)


def test_the_published_masses_add_up_to_the_share_with_the_event() -> None:
    # (4, 5] .0463, (6, 7] .0334, (7, 8] .0887, (11, 12] .0708, (24, 25] .0926, (33, 34] .0818, (38, 40] .1209,
    # (46, 48] .4656: table in Fay and Shaw, J Stat Softw 2010;36(2), from memory.
    left, right = cosmesis()
    found = event_by(left, right, [0.0, 7.5, 12.0, 39.0, 45.0, 60.0], draws=50)
    assert found.converged
    by_hand = [0, 0.0797 + 0.0887 / 2, 0.2392, 0.4136 + 0.1209 / 2, 0.5345]
    assert found.estimate[:5] == pytest.approx(by_hand, abs=4e-4)
    assert np.isnan(found.estimate[5]), "nothing is known beyond the last visit"


def test_estimate_lies_between_what_the_masses_allow() -> None:
    left, right = cosmesis()
    times = np.arange(0, 48, 0.5)
    found = event_by(left, right, times, draws=20)
    fit = turnbull(left, right)
    for i, t in enumerate(times):
        low, high = fit.survival_bounds(float(t))
        if fit.right[-1] == np.inf and t > fit.left[-1]:
            continue
        assert found.at_least[i] == pytest.approx(1 - high)
        assert found.at_most[i] == pytest.approx(1 - low)
    known = ~np.isnan(found.estimate)
    assert (found.at_least <= found.estimate + 1e-12)[known].all()
    assert (found.estimate <= found.at_most + 1e-12)[known].all()
    assert (np.diff(found.estimate[known]) >= -1e-12).all()


def test_exact_times_without_censoring_are_plain_shares_with_the_bootstrap_of_a_mean() -> None:
    rng = np.random.default_rng(3)
    at = rng.integers(1, 9, 400).astype(float)
    found = event_by(at, at, [4.0], draws=2000)
    share = (at <= 4).mean()
    assert found.estimate[0] == pytest.approx(share, abs=1e-6)
    half = 1.96 * np.sqrt(share * (1 - share) / 400)
    assert found.low[0] == pytest.approx(share - half, abs=0.006)
    assert found.high[0] == pytest.approx(share + half, abs=0.006)


def test_draws_are_of_whole_clusters_and_the_same_every_time() -> None:
    rng = np.random.default_rng(4)
    at = rng.integers(1, 9, 60).astype(float)
    ten_alike = np.repeat(at, 10)
    alone = event_by(at, at, [4.0])
    together = event_by(ten_alike, ten_alike, [4.0], np.repeat(np.arange(60), 10))
    assert (together.estimate[0], together.low[0], together.high[0]) == pytest.approx(
        (alone.estimate[0], alone.low[0], alone.high[0]), abs=2e-3
    )
    assert event_by(at, at, [4.0]).low[0] == alone.low[0]


def test_a_draw_s_own_turnbull_gives_the_same_share() -> None:
    """The shortcut over the sample's intervals is as good as fitting each draw from scratch."""
    left, right = cosmesis()
    m, draws, t = left.size, 40, 30.0
    drawn = np.random.default_rng(1).multinomial(m, np.full(m, 1 / m), draws)
    shares = []
    for counts in drawn:
        fit = turnbull(np.repeat(left, counts), np.repeat(right, counts))
        low, high = fit.survival_bounds(t)
        shares.append((1 - high, 1 - low))
    again = event_by(left, right, [t], draws=draws)
    least = np.quantile([low for low, _ in shares], 0.025)
    most = np.quantile([high for _, high in shares], 0.975)
    assert least - 0.01 <= again.low[0] <= again.high[0] <= most + 0.01


def test_nobody_and_one_cluster_are_not_estimable() -> None:
    assert np.isnan(event_by([], [], [1.0]).estimate).all()
    one = event_by([0, 1], [2, 3], [3.0], cluster=["a", "a"])
    assert one.estimate[0] == pytest.approx(1)
    assert np.isnan(one.low[0]) and np.isnan(one.high[0])
    with pytest.raises(ValueError):
        event_by([0, 1], [2, 3], [3.0], cluster=["a"])
