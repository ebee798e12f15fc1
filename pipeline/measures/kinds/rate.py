"""Rates: events over exposure, with the exact Poisson interval (Garwood)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, assemble, extras, fetch, grouped, per_exposure

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
    return assemble(
        frame, by, measure, per_exposure(events, exposure, frame["n"].to_numpy(), measure.scale, confidence)
    )
