"""Checks: what was to be done, and was (`met` 1), was not (0), or is not recorded (null).

The share is of those recorded; the not recorded stand beside it. Wilson interval, widened where the units of a cluster
are alike (Rao-Scott).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, assemble, extras, grouped, totals
from pipeline.stats import proportions

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    """Per group: n recorded, events met, their share with its interval, and how many are not recorded."""
    columns, group_by = grouped(by)
    frame = totals(
        connection,
        f"""with clusters as (
                select {columns} coalesce(cast(cluster as varchar), 'unit ' || cast(rowid as varchar)) as c,
                    count(met) as n, coalesce(sum(met), 0) as y, count(*) - count(met) as without
                from {units} group by {columns} c)
            select {columns} cast(sum(n) as double) as n, cast(sum(y) as double) as events,
                cast(count(case when n > 0 then 1 end) as double) as clusters, cast(sum(y * y) as double) as yy,
                cast(sum(y * n) as double) as yn, cast(sum(n * n) as double) as nn, sum(without) as not_recorded
            from clusters {group_by}""",
        by,
    )
    if measure.extras:
        extra = totals(connection, f"select {columns} 1 as one {extras(measure)} from {units} {group_by}", by)
        frame = frame.beside(extra, measure.extras)
    n, events, clusters, yy, yn, nn = (frame[c].to_numpy() for c in ("n", "events", "clusters", "yy", "yn", "nn"))
    low, high = proportions.clustered_wilson(events, n, clusters, yy, yn, nn, confidence)
    with np.errstate(invalid="ignore"):
        share = events / n
    return assemble(
        frame,
        by,
        measure,
        {
            "n": n.astype(int),
            "events": events.astype(int),
            "estimate": share,
            "low": low,
            "high": high,
            "design_effect": proportions.design_effect(events, n, clusters, yy, yn, nn),
            "not_recorded": frame["not_recorded"],
        },
    )
