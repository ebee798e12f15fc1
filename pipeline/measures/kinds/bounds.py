"""Bounds: a share among those seen, and what it would be if those not seen had all done badly, or all well.

Units give `numerator` (1 or 0; NULL where the outcome is not known) and maybe `cluster`. n counts known outcomes. The
`lowest` share takes every unknown outcome as no event, `highest` as an event; `lowest_low` and `highest_high` are the
outer limits of their Wilson intervals, widened for clusters, so that they hold for chance as well.
Source: Manski CF, Am Econ Rev 1990;80:319-323 (worst-case bounds).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, Totals, assemble, clustered
from pipeline.stats import proportions

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

Floats = npt.NDArray[np.float64]


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
    observed = {group: (low, high) for group, low, high in _observed(connection, measure, by, confidence)}
    limits = [observed.get(group, (np.nan, np.nan)) for group in _groups(bounds["low"], by)]
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = np.where(n > 0, least / n, np.nan)
    outer_low, _ = _wilson(bounds["low"], confidence)
    _, outer_high = _wilson(bounds["high"], confidence)
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
            "lowest_low": outer_low,
            "highest_high": outer_high,
        },
    )


def _observed(
    connection: Connection, measure: Measure, by: tuple[str, ...], confidence: float
) -> list[tuple[tuple[Any, ...], float, float]]:
    """Limits of the share among known outcomes, for each group that has any."""
    connection.execute("create or replace temp table known_only as select * from known_and_not where known")
    frame = clustered(connection, "known_only", measure, by, "numerator")
    low, high = _wilson(frame, confidence)
    return list(zip(_groups(frame, by), low.tolist(), high.tolist(), strict=True))


def _groups(frame: Totals, by: tuple[str, ...]) -> list[tuple[Any, ...]]:
    return [tuple(row[g] for g in by) for row in frame]


def _wilson(frame: Totals, confidence: float) -> tuple[Floats, Floats]:
    total, n, clusters, yy, yn, nn = (frame[c].to_numpy() for c in ("total", "n", "clusters", "yy", "yn", "nn"))
    return proportions.clustered_wilson(total, n, clusters, yy, yn, nn, confidence)
