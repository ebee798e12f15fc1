"""Times: what the generator puts in, adjusted comparisons and learning curves must get out again."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from demo_data import truth

Demo = Any  # of conftest.py


def test_case_mix_hides_how_much_sequences_differ_and_the_model_finds_it(demo: Demo) -> None:
    """Hard canals go to one sequence: the crude ratio is off, the adjusted interval holds the ratio of the truth."""
    rows = {row["sequence"]: row for row in demo.program.measure("adjusted_chair_time", settings=demo.sure)}
    for name in ("rotation-three", "hand-six"):  # known before the first day: no learning in between
        row = rows[name]
        assert row["reference"] == "rotation-five"
        planted = truth.CANAL_MINUTES[name] / truth.CANAL_MINUTES["rotation-five"]
        assert row["low"] <= planted <= row["high"], name
    crude = rows["rotation-three"]
    assert crude["crude_high"] < truth.CANAL_MINUTES["rotation-three"] / truth.CANAL_MINUTES["rotation-five"]


def test_dentists_do_not_differ_once_their_cases_are_alike(demo: Demo) -> None:
    """No dentist was made faster or slower: but sequences differ, and each dentist uses them nearly alike."""
    for row in demo.program.measure("adjusted_chair_time", "dentist", demo.sure):
        assert row["low"] <= 1 <= row["high"], row["dentist"]


def test_only_reciprocation_was_learned(demo: Demo) -> None:
    """Over the dentists: the mean log ratio of the first ten cases, with the weights of their intervals."""
    plateau = np.mean(truth.learning_factor(np.arange(51, 120)))
    first = np.mean(truth.learning_factor(np.arange(1, 11))) / plateau
    rows = [row for row in demo.program.measure("learning") if row["cases"] == "1-10" and row["low"]]
    for sequence, planted in (("reciprocation-two", first), ("rotation-five", 1.0), ("rotation-three", 1.0)):
        logs = np.array([math.log(row["estimate"]) for row in rows if row["sequence"] == sequence])
        errors = np.array(
            [math.log(row["high"] / row["low"]) / (2 * 1.959964) for row in rows if row["sequence"] == sequence]
        )
        weights = 1 / errors**2
        mean, error = float((weights * logs).sum() / weights.sum()), float(weights.sum() ** -0.5)
        assert len(logs) == 4
        assert abs(mean - math.log(planted)) < 3 * error, (sequence, mean, planted, error)
        if sequence == "reciprocation-two":
            assert mean > 2 * error, "the first ten took longer"


def test_uses_without_serial_are_as_many_as_were_planted(demo: Demo) -> None:
    (row,) = demo.program.measure("untracked_uses", settings=demo.sure)
    assert row["low"] <= truth.UNTRACKED <= row["high"]
