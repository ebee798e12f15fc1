"""Forecasts: events to come within each horizon, from those of past months, and how long a stock lasts.

Columns of units: `period` (how many whole months ago an instrument was first used, from 0; NULL while it is in stock),
`periods` (how many whole months are known) and `period_days` (the length of such a month).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, fetch, grouped, number
from pipeline.stats import forecast

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = grouped(by)
    frame = fetch(
        connection,
        f"""select {columns} count(*) as n, list(period) filter (period is not null) as period,
                count(*) filter (period is null) as in_stock, max(periods) as periods, max(period_days) as period_days
            from {units} {group_by}""",
        by,
    )
    out: list[Row] = []
    for group in frame.iter_rows(named=True):
        counts = np.bincount(group["period"] or [], minlength=group["periods"])
        days, stock = group["period_days"], group["in_stock"]
        used = forecast.count_prediction(counts, days, measure.horizons, confidence)
        left = forecast.lasts(stock, counts, days, confidence)
        head = {g: group[g] for g in by} | {"n": group["n"]}
        tail = {
            "used": int(counts.sum()),
            "months": len(counts),
            "dispersion": used.dispersion,
            "in_stock": stock,
            "days_left": left.days,
            "days_left_low": left.low,
            "days_left_high": left.high,
        }
        for horizon, expected, low, high in zip(measure.horizons, used.expected, used.low, used.high, strict=True):
            figures = {"time": int(horizon), "estimate": number(expected), "low": number(low), "high": number(high)}
            out.append(head | figures | tail)
    return out
