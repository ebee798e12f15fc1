"""Tables of facts, made with their rows or without."""

from __future__ import annotations

import datetime as dt
from typing import Any

from pipeline.facts.prepare import make, prepare, texts
from pipeline.settings import Settings
from pipeline.store.database import in_memory

VISIT = "insert into visits (visit_id, treatment_id, seated_at, practice, source_row, batch_id, record_no) "


def described(empty: bool) -> tuple[list[Any], dict[str, int]]:
    """Every table of facts with its columns and their types, and how many rows each has, of one visit."""
    connection = in_memory()
    connection.execute(VISIT + "values ('V1', 'T1', '2026-03-02 09:00', 'here', 1, 1, 1)")
    prepare(connection, Settings(), dt.date(2026, 6, 30))
    make(connection, texts(), empty=empty)
    columns = connection.execute(
        "select table_name, column_name, data_type from duckdb_columns() where table_name in "
        "(select unnest($1)) order by table_name, column_index",
        [list(texts())],
    ).fetchall()
    return columns, {n: connection.execute(f"select count(*) from {n}").fetchall()[0][0] for n in texts()}


def test_a_table_of_facts_without_rows_has_the_columns_of_one_with_them() -> None:
    (with_rows, sizes), (without, none) = described(empty=False), described(empty=True)
    assert without == with_rows and {name for name, _, _ in with_rows} == set(texts())
    assert sizes["visit_facts"] == 1 and not any(none.values())
