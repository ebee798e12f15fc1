"""A store as SQL text, its statements and then its rows: how the fixtures of older layouts in data/ are made.

python -m tests.pipeline.store.dump STORE > tests/pipeline/store/data/layout-N.sql
"""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Iterator
from typing import Any

import duckdb


def dump(connection: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """Every table's statement, one a line; then a line a row."""
    tables = connection.execute("select table_name, sql from duckdb_tables() where schema_name = 'main'").fetchall()
    for _, sql in sorted(tables):
        yield " ".join(sql.split())
    for name, _ in sorted(tables):
        for row in connection.execute(f"from {name} order by all").fetchall():
            yield f"insert into {name} values ({', '.join(map(_literal, row))});"


def _literal(value: Any) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool | int | float):
        return str(value).lower() if isinstance(value, bool) else repr(value)
    if isinstance(value, list):
        return f"[{', '.join(map(_literal, value))}]"
    text = value.isoformat(sep=" ") if isinstance(value, dt.datetime) else str(value)
    return "'" + text.replace("'", "''") + "'"


if __name__ == "__main__":
    with duckdb.connect(sys.argv[1], read_only=True) as opened:
        print(*dump(opened), sep="\n")
