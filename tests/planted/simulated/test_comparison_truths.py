"""A comparison finds the truth where dentists, review times and easier teeth would lead it astray, and patients' teeth
are alike; where there is no effect, hardly ever is one shown, nor are strata said to disagree.

A small run is always made, the full one is marked slow and makes tables of the guide (tests/tables.py):

    python -m pytest -n 0 -m slow -s tests/planted/simulated/test_comparison_truths.py
"""

from __future__ import annotations

import os
import time

import pytest
from scipy import stats

from pipeline.guide.tables import WANTED
from tests.tables import publish

from .comparison_truths import FOUR, WORLDS, World, disagreeing, rows_of, shown, tally
from .coverage import ERRORS, FAR_LESS, allowed

SMALL, FULL = 12, int(os.environ.get("SIMULATED_PRACTICES", "200"))
MOST_FALSE = 0.05


def at_most(share: float, practices: int, error: float) -> int:
    """So many of the practices may do what is to be done in at most this share, chance considered."""
    return int(stats.binom.isf(error, practices, share))


@pytest.mark.parametrize("name", [pytest.param("alike 2", marks=pytest.mark.slow), "effect"])
def test_a_few_practices(name: str) -> None:
    world = WORLDS[name]
    practices = rows_of(world, range(SMALL))
    headline = tally(world, practices).row(0, named=True)
    assert headline["practices"] == SMALL
    assert headline["held"] >= allowed(SMALL, 0.001)[0]
    if not world.effect:
        assert shown(practices) <= at_most(MOST_FALSE, SMALL, 0.001)


def test_a_few_practices_of_four_sequences() -> None:
    practices = rows_of(FOUR, range(6))
    assert all(len(rows) == 6 for rows in practices)
    assert disagreeing(practices) <= at_most(MOST_FALSE, 6, 0.001)


def should_be(world: World, figure: str) -> str:
    """How often an interval of the figure should hold the effect: some know nothing of what leads them astray."""
    if figure == "crude":
        return FAR_LESS
    return "less" if figure == "Mantel-Haenszel" and (world.dentists or world.later) else WANTED


@pytest.mark.slow
def test_all_practices() -> None:
    """Tables first, so that they are seen whatever comes of them."""
    begun, found = time.process_time(), {}
    lines = []
    for name, world in WORLDS.items():
        practices = rows_of(world, range(FULL))
        found[name] = tally(world, practices), shown(practices)
        for row in found[name][0].iter_rows(named=True):
            bias = f"{row['bias']:+.3f} ± {row['error']:.3f}"
            said = f"{100 * found[name][1] / FULL:.1f} %" if row["figure"] == "headline" else ""
            covered = f"{100 * row['held'] / row['practices']:.1f} %"
            aim = should_be(world, row["figure"])
            lines.append((world.title, row["figure"], row["practices"], covered, aim, bias, said))
    columns = ("practices are so", "figure", "told", "covered", "should be", "bias ± error", "shown")
    title, drawn = "Comparisons where more would lead them astray, of A less B", f"{FULL} practices a kind"
    publish("comparisons_led_astray", title, columns, lines, drawn=drawn, seeds=f"seeds 0 to {FULL - 1}")
    print(f"\n{time.process_time() - begun:.0f} s of the processor")
    for name, (table, differ) in found.items():
        headline = table.row(0, named=True)
        fewest, most = allowed(headline["practices"], 0.05)
        assert fewest <= headline["held"] <= most, (name, headline)
        assert abs(headline["bias"]) < ERRORS * headline["error"] + 0.01, (name, headline)
        assert headline["practices"] >= 0.95 * FULL
        if not WORLDS[name].effect:
            assert differ <= at_most(MOST_FALSE, FULL, 0.05), name


@pytest.mark.slow
def test_all_practices_of_four_sequences() -> None:
    practices = rows_of(FOUR, range(FULL))
    said, differ = disagreeing(practices), shown(practices)
    pairs = sum(row["estimate"] is not None for rows in practices for row in rows)
    columns, most = ("said in error", "reports", "of", "should be"), "at most 5 %"
    rows = [("strata disagree", said, FULL, most), ("a difference is shown", differ, FULL, most)]
    title, drawn = "Four sequences compared (SD 1), no effect", f"{FULL} reports"
    publish("four_sequences", title, columns, rows, drawn=drawn, seeds=f"seeds 0 to {FULL - 1}")
    print(f"\n{pairs} of {6 * FULL} pairs told")
    assert said <= at_most(MOST_FALSE, FULL, 0.05)
    assert differ <= at_most(MOST_FALSE, FULL, 0.05)
