"""Intervals hold the truth, and tests tell no falsehood, where a patient's teeth, visits or canals are alike.

A small run is always made; the full one is marked slow and makes tables of the guide (tests/tables.py;
test_two_hundred_practices says what is allowed).
"""

from __future__ import annotations

import os
from collections.abc import Callable

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.guide.tables import AT_LEAST, WANTED
from tests.tables import publish

from .clusters_truths import (
    Found,
    Watched,
    event_free,
    factor_p,
    logrank_p,
    median,
    separations,
    survival,
    weighted,
)
from .coverage import COLUMNS, ERRORS, FAR_LESS, allowed, lines, tallied

SMALL, SMALL_PRACTICES, FULL = 60, 20, int(os.environ.get("SIMULATED_PRACTICES", "200"))
SMALL_ERROR, FULL_ERROR = 0.0005, 0.02  # one of twenty figures is looked at: each may miss by chance
ALIKE = (0, 1, 2)

FIGURES: dict[str, Callable[[int, float], Found]] = {
    "tooth survival at 24 months": survival,
    "tooth survival at 24 months, 25 patients": lambda seed, sd: survival(seed, sd, 25),
    "minutes of a visit, median": median,
    "minutes of a visit, median, 12 patients": lambda seed, sd: median(seed, sd, 12),
    "separations per canal": separations,
    "healed share, weighted": weighted,
}
SLOW = {"healed share, weighted, 25 patients": lambda seed, sd: weighted(seed, sd, 25)}
CAUTIOUS = ("12 patients", "25 patients", "separations")  # Student's t and exact limits may hold more


def drawn(name: str, figure: Callable[[int, float], Found], many: int) -> pl.DataFrame:
    rows = []
    for sd in ALIKE:
        for seed in range(many):
            truth, estimate, low, high = figure(seed, sd)
            rows.append((f"{name}, SD {sd}", truth, estimate, low, high))
    return pl.DataFrame(rows, schema=["figure", "truth", "estimate", "low", "high"], orient="row")


def too_few_or_many(rows: pl.DataFrame, error: float) -> list[str]:
    found = []
    for row in tallied(rows).iter_rows(named=True):
        fewest, most = allowed(row["practices"], error, cautious=any(word in row["figure"] for word in CAUTIOUS))
        if not fewest <= row["held"] <= most:
            found.append(f"{row['figure']}: {row['held']} of {row['practices']}, not {fewest} to {most}")
    return found


@pytest.mark.parametrize("name", FIGURES)
def test_a_few_practices_with_patients_alike(name: str) -> None:
    assert too_few_or_many(drawn(name, FIGURES[name], SMALL), SMALL_ERROR) == []


@pytest.mark.parametrize("sd", ALIKE)
def test_verdicts_without_an_effect_are_rare(sd: int) -> None:
    """At most 5 in 100, chance considered."""
    tests = {
        "log-rank": [logrank_p(seed, sd) for seed in range(SMALL)],
        "log-rank, 10 patients against 100": [logrank_p(seed, sd, (10, 100)) for seed in range(SMALL)],
        "factor": [factor_p(seed, sd)[0] for seed in range(SMALL)],
    }
    assert _too_many(tests, SMALL_ERROR) == []


def _too_many(tests: dict[str, list[float | None]], error: float) -> list[str]:
    most = {name: int(stats.binom.isf(error, len(p), 0.05)) for name, p in tests.items()}
    false = {name: sum(v is not None and v < 0.05 for v in p) for name, p in tests.items()}
    return [f"{name}: {false[name]}, at most {most[name]}" for name in tests if false[name] > most[name]]


def test_a_group_of_too_few_patients_is_not_tested() -> None:
    assert logrank_p(1, 1, (9, 100)) is None


ENDED = "the same, every tooth ended at its last visit"


def watched(practices: int, at: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The program's answers, and those of ending every tooth at its last visit."""
    pairs = [pair for start in range(0, practices, 20) for pair in event_free(range(start, start + 20), Watched(), at)]
    columns = ["truth", "estimate", "low", "high"]
    own, once = (pl.DataFrame([p[i] for p in pairs], schema=columns, orient="row") for i in (0, 1))
    name = f"teeth without an event at {at:.0f} months"
    return own.with_columns(figure=pl.lit(name)), once.with_columns(figure=pl.lit(ENDED))


def test_teeth_without_an_event_where_retreatments_are_known_longer() -> None:
    own, once = watched(SMALL_PRACTICES, 24)
    assert too_few_or_many(own, SMALL_ERROR) == []
    (tally,) = tallied(own).iter_rows(named=True)
    assert abs(tally["bias"]) < ERRORS * tally["bias_error"]
    # What the program once did: 8 teeth in 100 too few.
    (before,) = tallied(once).iter_rows(named=True)
    assert before["bias"] < -0.05
    assert before["held"] < SMALL_PRACTICES / 2


def _print(rows: pl.DataFrame, own: pl.DataFrame, once: pl.DataFrame, tests: dict[str, list[float | None]]) -> None:
    """The tables: a line a figure, or a verdict, with a column for each SD."""
    drawn, seeds = f"{FULL} practices", f"seeds 0 to {FULL - 1}"
    of = {row["figure"]: row for row in tallied(rows).iter_rows(named=True)}
    found = []
    for name in {**FIGURES, **SLOW}:
        each = [of[f"{name}, SD {sd}"] for sd in ALIKE]
        truth = ", ".join(dict.fromkeys(f"{row['smallest']:.4g}" for row in each))
        covered = [f"{100 * row['held'] / row['practices']:.1f} %" for row in each]
        aim = AT_LEAST if any(word in name for word in CAUTIOUS) else WANTED
        found.append((name, truth, each[0]["practices"], *covered, aim))
    columns = ("figure", "truth", "practices", "covered, SD 0", "SD 1", "SD 2", "should be")
    title = "Teeth, visits and canals of a patient alike"
    publish("patients_alike", title, columns, found, drawn=drawn, seeds=f"seeds 0 to {FULL - 1} by figure and SD")

    verdicts: dict[str, list[object]] = {}
    for name, p in tests.items():
        line = verdicts.setdefault(name.rpartition(", SD")[0], [len(p)])
        line.append(f"{100 * np.mean([v is not None and v < 0.05 for v in p]):.1f} %")
    columns = ("verdict", "practices", "false, SD 0", "SD 1", "SD 2", "should be")
    title, many = "Verdicts where there is no effect, a patient's teeth alike", f"{FULL} to {2 * FULL} practices"
    said = [(name, *line, "at most 5 %") for name, line in verdicts.items()]
    seeds_of = f"seeds 0 to {2 * FULL - 1} by test and SD"
    publish("verdicts_patients_alike", title, columns, said, drawn=many, seeds=seeds_of)

    without = [
        (*line[:4], FAR_LESS if line[0] == ENDED else WANTED, line[5])
        for line in lines(tallied(pl.concat([own.select(once.columns), once])))
    ]
    title = "Teeth without an event: retreatments known to the data date, extractions to the last visit"
    publish("without_an_event", title, COLUMNS, without, drawn=drawn, seeds=seeds)


@pytest.mark.slow
def test_all_practices_with_patients_alike() -> None:
    """Tables first, so that they are seen whatever comes of them."""
    parts = [drawn(name, figure, FULL) for name, figure in {**FIGURES, **SLOW}.items()]
    own, once = watched(FULL, 24)
    rows = pl.concat([*parts, own.select(parts[0].columns)], how="vertical_relaxed")
    tests: dict[str, list[float | None]] = {}
    for sd in ALIKE:
        tests[f"log-rank, 60 patients a side, SD {sd}"] = [logrank_p(seed, sd) for seed in range(2 * FULL)]
        tests[f"log-rank, 10 patients against 100, SD {sd}"] = [logrank_p(seed, sd, (10, 100)) for seed in range(FULL)]
        tests[f"a factor in half of 150 patients, before adjusting, SD {sd}"] = [
            factor_p(seed, sd)[0] for seed in range(2 * FULL)
        ]
    _print(rows, own, once, tests)
    assert too_few_or_many(rows, FULL_ERROR) == []
    assert _too_many(tests, FULL_ERROR) == []
