"""Shares: events of n. Wilson interval, widened where the units of a cluster are alike (Rao-Scott).

A measure that counts events per 100 units (its `scale` is not 1) is a rate, of which a unit may have more than one: its
interval is the exact Poisson one of the kinds rate and incidence, so that the same events of the same units read alike
wherever they stand.
"""

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
    within = np.minimum(events, n)
    low, high = proportions.clustered_wilson(within, n, clusters, yy, yn, nn, confidence)
    effect = proportions.design_effect(within, n, clusters, yy, yn, nn)
    # More than one event a unit all through a group is no share any more either.
    of_rate = np.full(n.size, True) if measure.scale != 1 else events > n
    if of_rate.any():
        rate_low, rate_high = rates.clustered_garwood(events, n, n, clusters, yy, yn, nn, confidence)
        low, high = np.where(of_rate, rate_low, low), np.where(of_rate, rate_high, high)
        effect = np.where(of_rate, rates.design_effect(events, n, clusters, yy, yn, nn), effect)
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
