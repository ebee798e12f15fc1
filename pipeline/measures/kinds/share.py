"""Shares: events of n. Wilson interval, widened where the units of a cluster are alike (Rao-Scott)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, assemble, clustered
from pipeline.stats import proportions, rates

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    frame = clustered(connection, units, measure, by, "numerator")
    n, events = frame["n"].to_numpy(), frame["total"].to_numpy()
    clusters, yy, yn, nn = (frame[c].to_numpy() for c in ("clusters", "yy", "yn", "nn"))
    # More than one event a unit all through a group is no share any more: the exact Poisson interval holds for it.
    within = np.minimum(events, n)
    low, high = proportions.clustered_wilson(within, n, clusters, yy, yn, nn, confidence)
    effect = proportions.design_effect(within, n, clusters, yy, yn, nn)
    poisson_low, poisson_high = rates.garwood(events, n, confidence)
    over = events > n
    low, high = np.where(over, poisson_low, low), np.where(over, poisson_high, high)
    return assemble(
        frame,
        by,
        measure,
        {
            "n": n.astype(int),
            "events": events.astype(int),
            "estimate": events / n * measure.scale,
            "low": low * measure.scale,
            "high": high * measure.scale,
            "design_effect": effect,
        },
    )
