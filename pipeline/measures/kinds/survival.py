"""Survival: Kaplan-Meier with log-log limits, a row a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, fetch, grouped
from pipeline.stats import survival

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = grouped(by)
    frame = fetch(
        connection,
        f"select {columns} list(cast(time as double) order by rowid) as times, "
        f"list(cast(event as integer) order by rowid) as events from {units} {group_by}",
        by,
    )
    out: list[Row] = []
    for group in frame.iter_rows(named=True):
        curve = survival.kaplan_meier(group["times"], group["events"], confidence)
        head = {g: group[g] for g in by} | {"n": curve.n}
        events = dict(zip(curve.times.tolist(), curve.events.tolist(), strict=True))
        # Besides event times: the start, the times that reports ask for, and the end, beyond which nothing is known.
        for time in sorted({0.0, *events, *measure.horizons, curve.last or 0.0}):
            at = curve.at(time)
            if at is not None:
                figures = {"estimate": at.estimate, "low": at.low, "high": at.high}
                out.append(head | {"time": time, "at_risk": at.at_risk, "events": events.get(time, 0)} | figures)
    return out
