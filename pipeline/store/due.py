"""What a store still owes after a batch: the flags of rules across kinds.

The mark is written in the batch's own transaction and goes with the flags' renewal, so a program that is cut off in
between leaves it, and the next that opens the store honours it (checks.across.open_judged).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

_FLAGS = "flags"


def mark(connection: duckdb.DuckDBPyConnection) -> None:
    """Flags are due, as records have changed; inside the caller's transaction."""
    connection.execute("insert into due select $what where $what not in (select what from due)", {"what": _FLAGS})


def settled(connection: duckdb.DuckDBPyConnection) -> None:
    """Flags have been renewed; inside the caller's transaction."""
    connection.execute("delete from due where what = ?", [_FLAGS])


def flags_due(connection: duckdb.DuckDBPyConnection) -> bool:
    return bool(connection.execute("select 1 from due where what = ?", [_FLAGS]).fetchall())
