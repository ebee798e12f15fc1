"""Times: median with its order-statistic interval (for patients: of an effective n), quartiles, 90th percentile.

The measure's `shares` (name -> condition on a unit) are counted beside it: `NAME` units, their `NAME_share` of n with
Wilson's interval `NAME_low`, `NAME_high`, widened where the units of a cluster are alike (Rao-Scott).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, assemble, cluster_list, clustered, extras, fetch, grouped
from pipeline.stats import proportions, times

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = grouped(by)
    frame = fetch(
        connection,
        f"select {columns} list(cast(value as double) order by rowid) as values, "
        f"{cluster_list(measure)} as clusters {extras(measure)} from {units} {group_by}",
        by,
    )
    found = [
        times.summary(values.to_numpy(), confidence, clusters.to_numpy())
        for values, clusters in zip(frame["values"], frame["clusters"], strict=True)
    ]
    return assemble(
        frame,
        by,
        measure,
        {
            "n": [s.n for s in found],
            "estimate": [s.median for s in found],
            "low": [s.low for s in found],
            "high": [s.high for s in found],
            "q1": [s.q1 for s in found],
            "q3": [s.q3 for s in found],
            "p90": [s.p90 for s in found],
        }
        | _shares(connection, units, measure, by, confidence),
    )


def _shares(
    connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float
) -> dict[str, Any]:
    """The columns of the measure's `shares`, a value a group, in the order of the groups."""
    columns: dict[str, Any] = {}
    for name, condition in measure.shares.items():
        frame = clustered(connection, units, measure, by, f"case when {condition} then 1 else 0 end")
        events, n, clusters, yy, yn, nn = (frame[c].to_numpy() for c in ("total", "n", "clusters", "yy", "yn", "nn"))
        low, high = proportions.clustered_wilson(events, n, clusters, yy, yn, nn, confidence)
        columns |= {
            name: events.astype(int),
            f"{name}_share": events / n,
            f"{name}_low": low,
            f"{name}_high": high,
        }
    return columns
