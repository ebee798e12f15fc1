"""The program's 95 % intervals hold the truth in 93 to 97 of 100 practices; the adjusted comparison is not led astray.

A small run is always made. The full one is marked slow and prints the tables of DEVELOPERS.md:

    python -m pytest -n 0 -m slow -s tests/planted/simulated

Its number of practices is 200, or SIMULATED_PRACTICES. Limits allow for chance (`coverage.allowed`): a figure that is
right is turned down once in a thousand, wherever in 93 to 97 % its true coverage lies; so is a bias, beyond 3.3 of its
standard errors. Seeds are fixed: a run of the same number always gives the same.
"""

from __future__ import annotations

import os
import time

import polars as pl
import pytest
from scipy import stats

from .coverage import ERROR, FIGURES, allowed, shown, simulate, simulate_comparisons, tallied

SMALL, SMALL_COMPARED, FULL = 40, 16, int(os.environ.get("SIMULATED_PRACTICES", "200"))
CAUTIOUS = {figure.name for figure in FIGURES if figure.cautious}
EFFECTS = ("none", "difference", "odds")
TITLES = {
    "": "Main figures",
    "none": "A against B: the sequence has no effect, A got the easier teeth",
    "difference": "A heals 10 of 100 teeth less than B of every kind of tooth, A got the easier teeth",
    "odds": "The odds of healing are 0.45 times as high with A, A got the easier teeth (odds ratios as logarithms)",
}
LED_ASTRAY = ("crude difference, taken for the effect", "crude odds ratio, taken for the effect")
ERRORS = float(stats.norm.isf(ERROR / 2))  # 3.3 standard errors


def not_in_93_to_97(tally: pl.DataFrame) -> list[str]:
    """Figures whose intervals hold the truth too rarely, or too often without being cautious on purpose."""
    found = []
    for row in tally.iter_rows(named=True):
        fewest, most = allowed(row["practices"], cautious=row["figure"] in CAUTIOUS)
        if not fewest <= row["held"] <= most:
            found.append(f"{row['figure']}: {row['held']} of {row['practices']}, not {fewest} to {most}")
    return found


def off(tally: pl.DataFrame) -> dict[str, float]:
    """By how many of its standard errors each estimate is off on average."""
    told = tally.filter(pl.col("bias").is_not_null())
    return dict(told.select("figure", pl.col("bias") / pl.col("bias_error")).iter_rows())


def assert_right(tally: pl.DataFrame) -> None:
    assert not_in_93_to_97(tally) == []
    assert {figure: errors for figure, errors in off(tally).items() if not abs(errors) < ERRORS} == {}


def assert_adjusted_alone_is_right(tally: pl.DataFrame) -> None:
    """The crude comparison is far off the effect (one sequence got the easier teeth), all others are right."""
    astray = pl.col("figure").is_in(LED_ASTRAY)
    assert_right(tally.filter(~astray))
    fewest, _ = allowed(int(tally["practices"][0]))
    for row in tally.filter(astray).iter_rows(named=True):
        assert row["held"] < fewest
        assert row["bias"] > 4 * row["bias_error"]


def test_a_few_practices() -> None:
    assert_right(tallied(simulate(range(SMALL))))


@pytest.mark.parametrize("effect", EFFECTS)
def test_a_few_practices_in_which_one_sequence_got_the_easier_teeth(effect: str) -> None:
    assert_adjusted_alone_is_right(tallied(simulate_comparisons(range(SMALL_COMPARED), effect)))


@pytest.mark.slow
def test_all_practices() -> None:
    """Tables first, so that they are seen whatever comes of them."""
    begun = time.perf_counter()
    tallies = {"": tallied(simulate(range(FULL)))}
    tallies |= {effect: tallied(simulate_comparisons(range(FULL), effect)) for effect in EFFECTS}
    minutes = (time.perf_counter() - begun) / 60
    for effect, tally in tallies.items():
        print(f"\n{TITLES[effect]}\n\n{shown(tally)}")
    print(f"\n{FULL} practices of each, {minutes:.1f} minutes")
    assert_right(tallies.pop(""))
    for tally in tallies.values():
        assert_adjusted_alone_is_right(tally)
