"""Survival: Kaplan-Meier with log-log limits, a row a time.

`few_at_risk`: fewer than five are still at risk, so that one event would move the curve by a fifth or more. Such a row
stands, with its wide interval, but is not to be read as firm.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, at_risk, lives
from pipeline.stats import survival

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    out: list[Row] = []
    for group in lives(connection, units, by).iter_rows(named=True):
        curve = survival.kaplan_meier(group["times"], group["ends"], confidence)
        head = {g: group[g] for g in by} | {"n": curve.n}
        events = dict(zip(curve.times.tolist(), curve.events.tolist(), strict=True))
        # Besides event times: the start, the times that reports ask for, and the end, beyond which nothing is known.
        for time in sorted({0.0, *events, *measure.horizons, curve.last or 0.0}):
            at = curve.at(time)
            if at is not None:
                figures = {"estimate": at.estimate, "low": at.low, "high": at.high}
                out.append(head | {"time": time, **at_risk(at.at_risk), "events": events.get(time, 0)} | figures)
    return out
