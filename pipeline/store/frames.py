"""From a query to a Polars frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb
    import polars as pl


def frame(connection: duckdb.DuckDBPyConnection, sql: str) -> pl.DataFrame:
    """The rows of a query as a Polars frame."""
    import polars as pl

    found = pl.from_arrow(connection.sql(sql).to_arrow_table())
    assert isinstance(found, pl.DataFrame)
    return found
