"""Amounts: mean and total, with Student's t over clusters."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, assemble, clustered
from pipeline.stats import amounts

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    frame = clustered(connection, units, measure, by, "value")
    n, total = frame["n"].to_numpy(), frame["total"].to_numpy()
    clusters, yy, yn, nn = (frame[c].to_numpy() for c in ("clusters", "yy", "yn", "nn"))
    mean, low, high = amounts.mean_interval(total, n, yy, clusters, yn, nn, confidence)
    return assemble(
        frame, by, measure, {"n": n.astype(int), "estimate": mean, "low": low, "high": high, "total": total}
    )
