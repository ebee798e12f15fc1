"""Rates: events over exposure, with the exact Poisson interval (Garwood), widened where patients' units are alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import (
    OVER_CLUSTERS,
    Row,
    assemble,
    extras,
    grouped,
    own_cluster,
    per_exposure,
    sums,
    totals,
)

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = grouped(by)
    cluster = own_cluster(measure)
    frame = totals(
        connection,
        f"""with clusters as (
                select {columns} {cluster} as c, count(*) as n, cast(sum(numerator) as double) as y,
                    cast(sum(exposure) as double) as t
                from {units} group by {columns} {cluster})
            select {columns} sum(n) as n, sum(y) as events, sum(t) as exposure, {OVER_CLUSTERS}
            from clusters {group_by}""",
        by,
    )
    if measure.extras:
        extra = totals(connection, f"select {columns} 1 as one {extras(measure)} from {units} {group_by}", by)
        frame = frame.beside(extra, measure.extras)
    events, exposure, n = (frame[c].to_numpy() for c in ("events", "exposure", "n"))
    return assemble(frame, by, measure, per_exposure(events, exposure, n, sums(frame), measure.scale, confidence))
