"""Comparisons, each pair of groups: crude beside adjusted (Mantel-Haenszel), a model, and standardised shares.

All three adjust for the same strata. Mantel-Haenszel and the standardised shares speak of the strata that hold both
groups; the model (logistic GEE, teeth of one patient alike) takes the strata's parts as its terms.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row
from pipeline.stats import clustering, power, stratified
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    Connection = duckdb.DuckDBPyConnection

FEWEST_CLUSTERS = 10  # patients a side below which the model is not fitted; common practice, no source


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    compared = by[0]
    strata = tuple(s for s in measure.strata if s != compared)
    told = _units(connection, units, measure, compared, strata)
    size = dict(told.group_by("compared").len().iter_rows())
    largest_first = sorted(size, key=lambda g: (-size[g], g))
    out = []
    for reference, other in combinations(largest_first, 2):
        exposed, opposite = (told.filter(told["compared"] == g) for g in (other, reference))
        names = {compared: other, "reference": reference}
        out.append(names | _pair(exposed, opposite, told, confidence) | _model(exposed, opposite, strata, confidence))
    tested = [row for row in out if row["p_value"] is not None]
    if tested:
        for row, adjusted in zip(tested, power.benjamini_hochberg([r["p_value"] for r in tested]), strict=True):
            row["p_adjusted"] = float(adjusted)
    return out


def _units(
    connection: Connection, units: str, measure: Measure, compared: str, strata: tuple[str, ...]
) -> pl.DataFrame:
    """One row a unit: the group compared, whether it had the event, its strata as text, its stratum and its cluster."""
    own = "'unit ' || cast(rowid as varchar)"
    cluster = f"coalesce(cast(cluster as varchar), {own})" if "cluster" in measure.columns else own
    parts = "".join(f', cast("{s}" as varchar) as "{s}"' for s in strata)
    together = " , ".join(f'cast("{s}" as varchar)' for s in strata)
    stratum = f"dense_rank() over (order by {together}) - 1" if strata else "0"
    return frame(
        connection,
        f"""select cast("{compared}" as varchar) as compared, cast(numerator as double) as event,
                cast({stratum} as bigint) as stratum, {cluster} as cluster {parts}
            from {units} order by rowid""",
    )


def _pair(exposed: pl.DataFrame, opposite: pl.DataFrame, everyone: pl.DataFrame, confidence: float) -> Row:
    """One comparison without a model: crude, within strata, and standardised to the mix of everyone who counts."""
    strata = int(everyone["stratum"].to_numpy().max()) + 1

    def counted(side: pl.DataFrame) -> npt.NDArray[np.float64]:
        where, event = side["stratum"].to_numpy(), side["event"].to_numpy()
        events = np.bincount(where, weights=event, minlength=strata)
        return np.stack([events, np.bincount(where, minlength=strata) - events], axis=1)

    tables = np.stack([counted(exposed), counted(opposite)], axis=1)
    tables = tables[tables.sum(axis=(1, 2)) > 0]
    crude = stratified.crude(tables.sum(axis=0), confidence)
    adjusted = stratified.mantel_haenszel(tables, confidence)
    both = exposed.vstack(opposite)
    standard = stratified.standardised_difference(
        both["event"].to_numpy(),
        np.repeat([True, False], [exposed.height, opposite.height]),
        both["stratum"].to_numpy(),
        np.bincount(everyone["stratum"].to_numpy(), minlength=strata),
        both["cluster"].to_numpy(),
        confidence,
    )
    alpha = round(1 - confidence, 12)
    return {
        "n": int(crude.n_exposed),
        "events": int(tables[:, 0, 0].sum()),
        "n_reference": int(crude.n_reference),
        "events_reference": int(tables[:, 1, 0].sum()),
        "crude_difference": crude.risk_difference,
        "crude_low": crude.difference_low,
        "crude_high": crude.difference_high,
        "crude_odds_ratio": crude.odds_ratio,
        "crude_odds_ratio_low": crude.odds_low,
        "crude_odds_ratio_high": crude.odds_high,
        "estimate": adjusted.risk_difference,
        "low": adjusted.difference_low,
        "high": adjusted.difference_high,
        "odds_ratio": adjusted.odds_ratio,
        "odds_ratio_low": adjusted.odds_low,
        "odds_ratio_high": adjusted.odds_high,
        "p_value": adjusted.p,
        "p_adjusted": None,
        "homogeneity_p": adjusted.tarone_p,
        "strata": adjusted.strata_used,
        "strata_dropped": adjusted.strata_dropped,
        "n_used": int(adjusted.n_used),
        "smallest_difference": power.smallest_difference(
            crude.n_exposed, crude.n_reference, crude.reference or 0.0, alpha=alpha
        ),
        "standardised": standard.exposed,
        "standardised_reference": standard.reference,
        "standardised_difference": standard.difference,
        "standardised_low": standard.low,
        "standardised_high": standard.high,
        "standard_covered": standard.covered,
    }


def _model(exposed: pl.DataFrame, opposite: pl.DataFrame, strata: tuple[str, ...], confidence: float) -> Row:
    """Odds ratio of a logistic GEE clustered by patient; None where too few patients or the data allow none."""
    empty = dict.fromkeys(("gee_odds_ratio", "gee_low", "gee_high", "gee_p", "gee_n", "gee_clusters"))
    if min(side["cluster"].n_unique() for side in (exposed, opposite)) < FEWEST_CLUSTERS:
        return empty
    both = exposed.vstack(opposite).with_columns(side=np.repeat([1.0, 0.0], [exposed.height, opposite.height]))
    both = _informative(both, ("side", *strata))
    if both["side"].n_unique() < 2:  # one side has the event always or never: its odds are not estimable
        return empty
    terms, names = [both["side"].to_numpy()], ["side"]
    for stratum in strata:
        # The commonest level is what the others are compared with.
        levels = both[stratum].value_counts().sort("count", stratum, descending=[True, False])[stratum].to_list()
        terms += [(both[stratum] == level).to_numpy().astype(float) for level in levels[1:]]
        names += [f"{stratum} {level}" for level in levels[1:]]
    fitted = clustering.gee_logistic(
        both["event"].to_numpy(), np.column_stack(terms), both["cluster"].to_numpy(), names, confidence
    )
    if fitted is None:
        return empty
    return {
        "gee_odds_ratio": fitted.odds_ratio[1],
        "gee_low": fitted.low[1],
        "gee_high": fitted.high[1],
        "gee_p": fitted.p[1],
        "gee_n": fitted.n,
        "gee_clusters": fitted.clusters,
    }


def _informative(units: pl.DataFrame, terms: tuple[str, ...]) -> pl.DataFrame:
    """Without the levels of a term in which the outcome never varies: they fit any odds ratio and would run away."""
    import polars as pl

    event = pl.col("event")
    while True:
        before = units.height
        for term in terms:
            units = units.filter(event.min().over(term) < event.max().over(term))
        if units.height == before:
            return units
