"""From an older layout of the store to this one: in one transaction, after a copy of the file was put beside it.

So do stores whose record kinds have gained a column since, though the layout is the same.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import UserError
from pipeline.output import private
from pipeline.records import KINDS
from pipeline.store import schema

if TYPE_CHECKING:
    from collections.abc import Callable

    import duckdb

    Connection = duckdb.DuckDBPyConnection

# From each older layout the statements that make the next of it. Columns that the record kinds have gained need no
# layout of their own: tables are made anew with them once the steps are done.
_STEPS: dict[int, tuple[str, ...]] = {
    2: (
        "alter table quarantine add column what VARCHAR default 'row'",
        """create table cells (
            batch_id BIGINT, "column" VARCHAR, "read" BIGINT, stored BIGINT, blanked BIGINT, refused BIGINT,
            check ("read" = stored + blanked + refused))""",
    ),
    3: (
        "create table settings_given (given_at TIMESTAMP, settings VARCHAR)",
        "create table due (what VARCHAR)",
        "create table store_key (fingerprint VARCHAR)",
        "create table store_state (token VARCHAR)",
        "insert into store_state values (cast(uuid() as varchar))",
        "insert into due values ('flags')",  # whether a run before was cut off, nothing tells
    ),
    4: ("create table value_verdicts (expectation VARCHAR, hash VARCHAR, number DOUBLE, refused BOOLEAN)",),
}


def can_migrate(version: int, to: int) -> bool:
    """Whether a store of this layout can be brought to the layout `to`."""
    return version < to and all(step in _STEPS for step in range(version, to))


def migrate(path: Path, version: int, to: int, connect: Callable[[], Connection]) -> Path:
    """Bring the closed store at `path` from one layout to another; gives the copy of it as it was.

    `connect` opens the file for writing. A UserError where the copy cannot be made; a step that fails leaves the store
    as it was.
    """
    copy = path.with_name(f"{path.name}.layout-{version}")
    with contextlib.closing(connect()) as connection:
        connection.execute("checkpoint")  # what a killed run left beside the file is in it now
    try:
        part = copy.with_name(copy.name + ".part")
        with (
            os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as out,
            path.open("rb") as file,
        ):
            shutil.copyfileobj(file, out)
            out.flush()
            os.fsync(out.fileno())
        if _sha256(part) != _sha256(path):
            raise OSError(errno.EIO, "what was written reads otherwise")
        private.settle(part, copy)
    except OSError as e:
        raise UserError(
            f"the store is of an older layout, and no copy of it can be made ({e.strerror})",
            where=str(copy),
            do="Free some space, or see to it that you may write there",
        ) from None
    with contextlib.closing(connect()) as connection:
        connection.begin()
        for step in range(version, to):
            for statement in _STEPS[step]:
                connection.execute(statement)
        _with_new_columns(connection)
        connection.execute("update store_version set version = ?", [to])
        connection.commit()
    return copy


def _sha256(path: Path) -> bytes:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def lacking(connection: Connection) -> dict[str, str]:
    """The tables of records that lack a column of their kind: name -> columns as SQL that they should have."""
    there: dict[str, set[str]] = {}
    for table, column in connection.execute(
        "select table_name, column_name from duckdb_columns() where schema_name = 'main'"
    ).fetchall():
        there.setdefault(table, set()).add(column)
    return {
        name: columns
        for kind in KINDS.values()
        for name, columns in schema.record_tables(kind).items()
        if name in there and not there[name].issuperset(kind.names)
    }


def _with_new_columns(connection: Connection) -> None:
    """Make tables anew where a kind has gained a column: in its place, with nothing in it.

    (`alter table` puts it last, and what is superseded goes to the history column by column.) A column that is no
    longer of its kind is an error: a step must say what becomes of it.
    """
    for name, columns in lacking(connection).items():
        connection.execute(f"alter table {name} rename to {name}_before")
        connection.execute(f"create table {name} ({columns})")
        connection.execute(f"insert into {name} by name select * from {name}_before")
        connection.execute(f"drop table {name}_before")
