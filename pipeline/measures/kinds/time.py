"""Times: median with its order-statistic interval, quartiles, 90th percentile."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, assemble, extras, fetch, grouped
from pipeline.stats import times

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = grouped(by)
    frame = fetch(
        connection,
        f"select {columns} list(cast(value as double)) as values {extras(measure)} from {units} {group_by}",
        by,
    )
    found = [times.summary(values.to_numpy(), confidence) for values in frame["values"]]
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
        },
    )
