"""Comparisons: crude and adjusted (Mantel-Haenszel) side by side, each pair of groups."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row
from pipeline.stats import power, stratified

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    compared = by[0]
    strata = "".join(f'"{s}", ' for s in measure.strata if s != compared)
    counted = connection.execute(
        f"""select cast("{compared}" as varchar) as g, {strata} sum(numerator) as events, count(*) as n
            from {units} group by all order by all"""
    ).fetchall()
    cells: dict[str, dict[tuple[Any, ...], tuple[float, float]]] = {}
    for g, *stratum, events, n in counted:
        cells.setdefault(g, {})[tuple(stratum)] = (float(events), float(n))
    size = {g: sum(n for _, n in by_stratum.values()) for g, by_stratum in cells.items()}
    largest_first = sorted(cells, key=lambda g: (-size[g], g))
    out = [
        _pair(compared, other, reference, cells[other], cells[reference], confidence)
        for reference, other in combinations(largest_first, 2)
    ]
    tested = [row for row in out if row["p_value"] is not None]
    if tested:
        for row, adjusted in zip(tested, power.benjamini_hochberg([r["p_value"] for r in tested]), strict=True):
            row["p_adjusted"] = float(adjusted)
    return out


def _pair(
    compared: str,
    other: str,
    reference: str,
    a: dict[tuple[Any, ...], tuple[float, float]],
    b: dict[tuple[Any, ...], tuple[float, float]],
    confidence: float,
) -> Row:
    """One comparison: crude and adjusted side by side."""

    def table(s: tuple[Any, ...]) -> list[list[float]]:
        (x1, n1), (x0, n0) = a.get(s, (0.0, 0.0)), b.get(s, (0.0, 0.0))
        return [[x1, n1 - x1], [x0, n0 - x0]]

    tables = np.array([table(s) for s in sorted({*a, *b}, key=str)])
    crude = stratified.crude(tables.sum(axis=0), confidence)
    adjusted = stratified.mantel_haenszel(tables, confidence)
    return {
        compared: other,
        "reference": reference,
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
        "smallest_difference": power.smallest_difference(crude.n_exposed, crude.n_reference, crude.reference or 0.0),
    }
