"""Bounds: a share among those seen, and how far it could be from the truth if those not seen had all done badly or well.

Units give `numerator` (1 or 0; NULL where the outcome is not known) and maybe `cluster`. n counts known outcomes. The
`lowest` share takes every unknown outcome as no event, `highest` as an event; `lowest_low` and `highest_high` are the
outer limits of their Wilson intervals, widened for clusters, so that they hold for chance as well.
Source: Manski CF, Am Econ Rev 1990;80:319-323 (worst-case bounds).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, assemble, clustered
from pipeline.stats import proportions

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    connection.execute(
        f"create or replace temp table known_and_not as select *, numerator is not null as known from {units}"
    )
    bounds = {}
    for name, unknown in (("low", 0), ("high", 1)):
        frame = clustered(connection, "known_and_not", measure, by, f"coalesce(numerator, {unknown})")
        bounds[name] = frame
    all_n, least, most = (bounds[b][c].to_numpy() for b, c in (("low", "n"), ("low", "total"), ("high", "total")))
    unknown_n = most - least
    n = all_n - unknown_n
    observed = _observed(connection, measure, by)
    limits = [
        _limits(observed.get(tuple(row[g] for g in by)), confidence) for row in bounds["low"].iter_rows(named=True)
    ]
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = np.where(n > 0, least / n, np.nan)
    outer = {
        name: proportions.clustered_wilson(
            frame["total"].to_numpy(),
            frame["n"].to_numpy(),
            *(frame[c].to_numpy() for c in ("clusters", "yy", "yn", "nn")),
            confidence,
        )
        for name, frame in bounds.items()
    }
    return assemble(
        bounds["low"],
        by,
        measure,
        {
            "n": n.astype(int),
            "events": least.astype(int),
            "not_known": unknown_n.astype(int),
            "estimate": estimate,
            "low": [low for low, _ in limits],
            "high": [high for _, high in limits],
            "lowest": least / all_n,
            "highest": most / all_n,
            "lowest_low": outer["low"][0],
            "highest_high": outer["high"][1],
        },
    )


def _observed(connection: Connection, measure: Measure, by: tuple[str, ...]) -> dict[tuple[object, ...], Row]:
    """Sums over clusters of the known outcomes, by group."""
    connection.execute("create or replace temp table known_only as select * from known_and_not where known")
    frame = clustered(connection, "known_only", measure, by, "numerator")
    return {tuple(row[g] for g in by): row for row in frame.iter_rows(named=True)}


def _limits(sums: Row | None, confidence: float) -> tuple[float, float]:
    if sums is None:
        return np.nan, np.nan
    low, high = proportions.clustered_wilson(
        sums["total"], sums["n"], sums["clusters"], sums["yy"], sums["yn"], sums["nn"], confidence
    )
    return float(low), float(high)
