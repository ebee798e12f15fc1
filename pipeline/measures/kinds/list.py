"""Lists: lines as they are shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, python_value

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    cursor = connection.execute(f"select * from {units} order by rowid")
    names = [d[0] for d in cursor.description or ()]
    return [dict(zip(names, map(python_value, row), strict=True)) for row in cursor.fetchall()]
