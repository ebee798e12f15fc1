"""Rates: events over exposure, with the exact Poisson interval (Garwood)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, assemble, extras, fetch, grouped
from pipeline.stats import rates

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = grouped(by)
    frame = fetch(
        connection,
        f"select {columns} count(*) as n, cast(sum(numerator) as double) as events, "
        f"cast(sum(exposure) as double) as exposure {extras(measure)} from {units} {group_by}",
        by,
    )
    events, exposure = frame["events"].to_numpy(), frame["exposure"].to_numpy()
    low, high = rates.garwood(events, exposure, confidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(exposure > 0, events / exposure, np.nan)
    return assemble(
        frame,
        by,
        measure,
        {
            "n": frame["n"].to_numpy(),
            "events": events.astype(int),
            "exposure": exposure,
            "estimate": rate * measure.scale,
            "low": low * measure.scale,
            "high": high * measure.scale,
        },
    )
