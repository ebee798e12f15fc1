"""Pictures that were drawn before, kept beside the store with its facts: a page that shows the same draws nothing."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping
from typing import Any

from pipeline.facts.kept import DATABASE, open_file

UNUSED_DAYS = 92  # a quarter: then a picture that no page has shown goes


def drawn(connection: Any) -> dict[str, str]:
    """The pictures that are kept, by their keys; none where nothing can be kept."""
    if not _open(connection):
        return {}
    return dict(connection.execute(f"select key, svg from {DATABASE}.pictures").fetchall())


def keep(connection: Any, made: Mapping[str, str], used: Iterable[str]) -> None:
    """Keep what was drawn now, renew the day of what was used, and let go what was not for long."""
    if not _open(connection):
        return
    import duckdb

    table = f"{DATABASE}.pictures"
    connection.begin()
    try:
        connection.execute(
            f"insert into {table} select unnest($keys), unnest($svgs), current_date",
            {"keys": list(made), "svgs": list(made.values())},
        )
        connection.execute(f"update {table} set used_on = current_date where key in (select unnest(?))", [list(used)])
        connection.execute(f"delete from {table} where used_on < current_date - {UNUSED_DAYS}")
        connection.commit()
    except BaseException as e:
        with contextlib.suppress(duckdb.Error):
            connection.rollback()
        if not isinstance(e, duckdb.Error):  # pages are whole without: the disk may be full
            raise


def _open(connection: Any) -> bool:
    """Whether there is a place to keep pictures in."""
    if connection is None or not open_file(connection, least_rows=0):
        return False
    import duckdb

    try:
        connection.execute(f"create table if not exists {DATABASE}.pictures (key varchar, svg varchar, used_on date)")
    except duckdb.Error:
        return False
    return True
