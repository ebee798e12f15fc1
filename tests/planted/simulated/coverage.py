"""How often the program's own 95 % intervals hold the truth, over many simulated practices.

Practices stand in one store, as those of a group do: each has its `practice`, its one dentist of the same name, and
keys that all of them share. Figures are asked for by dentist, so that one row is one practice. All goes the program's
own way, from the store's tables by facts and measures to estimate and interval; only reading exports is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeAlias

import numpy as np
import polars as pl
from scipy import stats

from pipeline.guide.tables import AT_LEAST, WANTED
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory

from .simulation import AS_OF, DIFFERENCE, ODDS_RATIO, STERILISATION, Practice, Truth

Row: TypeAlias = dict[str, Any]

TOGETHER = 50  # practices in one store
ERRORS = 3.3  # standard errors, passed once in a thousand by chance


@dataclass(frozen=True)
class Figure:
    """A figure of a measure and what it should be. `cautious` says why its intervals may hold the truth too often."""

    name: str
    measure: str
    truth: Callable[[Truth], float]
    time: float | None = None
    columns: tuple[str | None, str, str] = ("estimate", "low", "high")  # None: bounds alone estimate nothing
    cautious: str = ""


EXACT = "exact limits hold at least 95 %, their steps often more"
BOUNDS = "limits hold whatever became of those not seen"

FIGURES = (
    Figure("healed share", "healed_share", lambda t: t.healed_of_judged),
    Figure("healed share, weighted", "healed_share_weighted", lambda t: t.healed_of_due),
    Figure("healed share, bounds", "healed_bounds", lambda t: t.healed_of_due,
           columns=(None, "lowest_low", "highest_high"), cautious=BOUNDS),
    Figure("recall share", "recall_share", lambda t: t.recalled),
    Figure("separations per 1,000 uses", "separations_per_1000_uses", lambda t: 1000 * t.separation, cautious=EXACT),
    Figure("separations per 100 canals", "separations_per_100_canals", lambda t: 100 * t.separation * t.steps,
           cautious=EXACT),
    Figure("minutes per visit, median", "chair_minutes_per_visit", lambda t: t.visit_median),
    Figure("minutes per canal, median", "chair_minutes_per_canal", lambda t: t.canal_median),
    Figure("instruments per canal", "instruments_per_canal", lambda t: t.steps),
    Figure("cost per canal", "cost_per_canal", lambda t: t.canal_cost),
    Figure("tooth survival at 24 months", "tooth_survival", lambda t: float(t.survival(730)), time=24),
    Figure("tooth survival at 36 months", "tooth_survival", lambda t: float(t.survival(1095)), time=36),
    Figure("instrument whole after 5 uses", "instrument_life", lambda t: t.whole_after(5), time=5),
    Figure("instrument's hazard in use 5", "instrument_hazard", lambda t: t.hazard(5), time=5),
)  # fmt: skip
CAUTIOUS = {figure.name: figure.cautious for figure in FIGURES if figure.cautious}
FAR_LESS = "far less"  # it is no estimate of it
LED_ASTRAY = ("crude difference, taken for the effect", "crude odds ratio, taken for the effect")


def simulate(numbers: Iterable[int], figures: tuple[Figure, ...] = FIGURES, **alike: float) -> pl.DataFrame:
    """A row a practice and figure: figure, practice, truth, estimate, low, high. `alike` as in `Practice`."""
    return _in_stores(numbers, partial(_main_figures, figures=figures, alike=alike))


def simulate_comparisons(numbers: Iterable[int], effect: str, **alike: float) -> pl.DataFrame:
    """As `simulate`, of the comparison of A with B, where the sequence has this effect. Odds ratios are logarithms.

    The crude comparison stands twice: against the effect, which it is no estimate of, and against what it does
    estimate, the difference of two groups of unlike teeth.
    """
    return _in_stores(numbers, partial(_comparisons, effect=effect, alike=alike))


def _in_stores(numbers: Iterable[int], figures: Callable[[list[int]], list[Row]]) -> pl.DataFrame:
    every = list(numbers)
    rows = [row for start in range(0, len(every), TOGETHER) for row in figures(every[start : start + TOGETHER])]
    return pl.DataFrame(rows, infer_schema_length=None)


def _main_figures(numbers: list[int], figures: tuple[Figure, ...], alike: dict[str, float]) -> list[Row]:
    connection = in_memory()
    truths = {}
    for number in numbers:
        practice = Practice(Truth.of(number), **alike)
        practice.store(connection)
        truths[practice.name] = practice.true
    work = Workspace(connection, Settings(sterilisation_cost=STERILISATION), AS_OF)
    found = {
        (measure, row["dentist"], row.get("time")): row
        for measure in sorted({figure.measure for figure in figures})
        for row in work.compute(measure, by=("dentist",)).rows
    }
    connection.close()
    out = []
    for figure in figures:
        for name, true in truths.items():
            row = found[figure.measure, name, figure.time]
            out.append(_row(figure.name, name, figure.truth(true), *(row[c] if c else None for c in figure.columns)))
    return out


def _comparisons(numbers: list[int], effect: str, alike: dict[str, float]) -> list[Row]:
    connection = in_memory()
    truths = {}
    for number in numbers:
        practice = Practice(Truth.of(number, effect, patients=(400, 700)), **alike)
        practice.store(connection, only_outcomes=True)
        truths[practice.name] = practice.true
    work = Workspace(connection, Settings(), AS_OF)
    out = []
    for name, true in truths.items():
        (row,) = work.compute("sequence_comparison", where={"dentist": name}).rows
        difference, odds = partial(_a_against_b, row), partial(_a_against_b, row, logarithm=True)
        crude, crude_odds = difference("crude_difference", "crude_"), odds("crude_odds_ratio", "crude_odds_ratio_")
        effects = {"none": (0.0, 0.0), "difference": (DIFFERENCE, None), "odds": (None, float(np.log(ODDS_RATIO)))}
        in_shares, in_odds = effects[effect]
        out.append(_row("crude difference, as it is", name, true.crude_difference, *crude))
        out.append(_row("crude odds ratio, as it is", name, float(np.log(true.crude_odds_ratio)), *crude_odds))
        standardised = difference("directly_standardised_difference", "directly_standardised_")
        out.append(_row("directly standardised difference", name, true.standardised_difference, *standardised))
        out.append(_row("headline: overlap-weighted", name, true.overlap_difference, *difference("estimate", "")))
        if in_shares is not None:
            for way, text in (
                ("standardised", "standardised by the outcome model"),
                ("weighted", "inverse probability"),
            ):
                out.append(_row(text, name, in_shares, *difference(f"{way}_difference", f"{way}_")))
            out.append(_row("crude difference, taken for the effect", name, in_shares, *crude))
            out.append(
                _row(
                    "Mantel-Haenszel difference",
                    name,
                    in_shares,
                    *difference("mantel_haenszel_difference", "mantel_haenszel_"),
                )
            )
        if in_odds is not None:
            out.append(_row("crude odds ratio, taken for the effect", name, in_odds, *crude_odds))
            out.append(_row("Mantel-Haenszel odds ratio", name, in_odds, *odds("odds_ratio", "odds_ratio_")))
            out.append(_row("model's odds ratio (GEE)", name, in_odds, *odds("gee_odds_ratio", "gee_")))
    connection.close()
    return out


def _a_against_b(row: Row, estimate: str, limits: str, *, logarithm: bool = False) -> tuple[float, ...]:
    """Estimate and limits; the program compares the smaller group with the larger, whichever sequence that is."""
    figures = np.array([row[name] for name in (estimate, f"{limits}low", f"{limits}high")], dtype=float)
    middle, low, high = (np.log(figures) if logarithm else figures).tolist()
    return (middle, low, high) if row["sequence"] == "A" else (-middle, -high, -low)


def _row(figure: str, practice: str, truth: float, *found: float | None) -> Row:
    estimate, low, high = found
    return {"figure": figure, "practice": practice, "truth": truth, "estimate": estimate, "low": low, "high": high}


HELD = ((pl.col("low") <= pl.col("truth")) & (pl.col("truth") <= pl.col("high"))).fill_null(False)  # no limits, no hold


def tallied(rows: pl.DataFrame) -> pl.DataFrame:
    """A row a figure, in the order of `rows`: how often its interval held the truth, how far off it was on average."""
    off = pl.col("estimate") - pl.col("truth")
    return rows.group_by("figure", maintain_order=True).agg(
        practices=pl.len(),
        smallest=pl.col("truth").min(),
        largest=pl.col("truth").max(),
        held=HELD.sum(),
        bias=off.mean(),
        bias_error=off.std() / pl.len().sqrt(),
    )


def allowed(practices: int, error: float, *, cautious: bool = False) -> tuple[int, int]:
    """In how few and how many of the practices intervals that hold 93 to 97 % of truths may do so, chance considered.

    Quantiles of the binomial distribution: fewer than the first (more than the second) come with a chance below `error`
    where the true coverage is 93 % (97 %), and far more rarely where it is 95 %. Cautious intervals may hold all.
    """
    fewest = int(stats.binom.ppf(error, practices, 0.93))
    return fewest, practices if cautious else int(stats.binom.isf(error, practices, 0.97))


def held_over_all(rows: pl.DataFrame) -> tuple[float, float]:
    """Share of all intervals that hold the truth, and its standard error; figures of one practice may be alike."""
    of_practice = rows.group_by("practice", maintain_order=True).agg(HELD.mean().alias("share"))["share"].to_numpy()
    return float(of_practice.mean()), float(of_practice.std(ddof=1) / np.sqrt(of_practice.size))


COLUMNS = ("figure", "truth", "practices", "covered", "should be", "bias ± error")


def lines(tally: pl.DataFrame) -> list[tuple[str, ...]]:
    """The tally as rows of a table for people, with COLUMNS. Why some may hold more stands in CAUTIOUS."""
    found = []
    for row in tally.iter_rows(named=True):
        name = row["figure"]
        least, most = f"{row['smallest']:.4g}", f"{row['largest']:.4g}"
        truth = least if least == most else f"{least} to {most}"
        covered = f"{100 * row['held'] / row['practices']:.1f} %"
        aim = AT_LEAST if name in CAUTIOUS else FAR_LESS if name in LED_ASTRAY else WANTED
        bias = "-" if row["bias"] is None else f"{row['bias']:+.2g} ± {row['bias_error']:.1g}"
        found.append((name, truth, str(row["practices"]), covered, aim, bias))
    return found
