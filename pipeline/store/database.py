"""Opening the store: a DuckDB file that only its owner can read, and that never reaches for the network."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import UserError
from pipeline.output import private
from pipeline.store import migrations, schema

if TYPE_CHECKING:
    import duckdb

# DuckDB would otherwise fetch extensions over the network when a query seems to want one.
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_community_extensions": False,
    "allow_unsigned_extensions": False,
    "allow_persistent_secrets": False,
}


def scratch() -> duckdb.DuckDBPyConnection:
    """A database in memory that holds nothing, for work on text before it is a record."""
    import duckdb

    return duckdb.connect(":memory:", config=_CONFIG)


def in_memory() -> duckdb.DuckDBPyConnection:
    """An empty store in memory, for tests and worked examples."""
    import duckdb

    connection = duckdb.connect(":memory:", config=_CONFIG)
    for statement in schema.create_statements():
        connection.execute(statement)
    connection.execute("set threads = 1")  # few rows: other threads find no work in them
    return connection


@contextmanager
def borrowed() -> Iterator[duckdb.DuckDBPyConnection]:
    """As `in_memory`, in a transaction that is taken back: the next who borrows it finds it empty, and need not wait.

    To make one costs as much as to compute a worked example on it.
    """
    connection = _lent()
    connection.begin()
    try:
        yield connection
    finally:
        connection.rollback()


@cache
def _lent() -> duckdb.DuckDBPyConnection:
    return in_memory()


def is_new(path: Path) -> bool:
    """Whether there is no store at `path` yet; a UserError where none can be."""
    if path.is_dir():
        raise UserError("is a folder, not a store", where=str(path), do="Give --store a file")
    if path.exists():
        return False
    if not path.parent.is_dir():
        raise UserError("the folder of the store does not exist", where=str(path.parent), do="Make it, or give --store")
    return True


# DuckDB shares a table among threads in groups of so many rows (its guide to performance, "Parallelism").
ROWS_A_THREAD = 122_880


@contextmanager
def open_store(path: Path, *, write: bool = False) -> Iterator[duckdb.DuckDBPyConnection]:
    """The store at `path`; with `write` it is made when missing. Errors are said in one line.

    A store of an older layout, or without a column that records have gained, is brought to this one first, also to be
    read only; a copy of it stays beside it.
    """

    if not path.exists() and not write:
        raise UserError("there is no store here", where=str(path), do="Import something first: canalwise ingest PATH")
    os.umask(0o077)  # also for what DuckDB writes beside the file
    new = is_new(path)
    if new:
        _make(path)
    connection = _connect(path, write)
    try:
        version = schema.VERSION if new else _version(connection, path)
        if version != schema.VERSION or (not new and migrations.lacking(connection)):
            connection.close()
            migrations.migrate(path, version, schema.VERSION, lambda: _connect(path, True))
            connection = _connect(path, write)
        if write:
            # What a killed run spilled is plain text of records; DuckDB leaves it. Nobody else has the store open now.
            shutil.rmtree(path.with_name(path.name + ".tmp"), ignore_errors=True)
            # Whatever is written from here on, nothing that was made of the store before holds any more (facts.kept).
            connection.execute("update store_state set token = cast(uuid() as varchar)")
        if not write and largest(connection) <= ROWS_A_THREAD:
            # Reports ask hundreds of small questions: other threads find no work in them and cost more than they help.
            connection.execute("set threads = 1")
        yield connection
    finally:
        connection.close()
        if write:  # DuckDB leaves the folder that it spilled into where staged records had made it
            with contextlib.suppress(OSError):
                path.with_name(path.name + ".tmp").rmdir()


def _make(path: Path) -> None:
    """An empty store, under another name until it is whole and on the disk: a run cut off here leaves none."""
    part = path.with_name(path.name + ".part")
    for left in (part, part.with_name(part.name + ".wal")):
        left.unlink(missing_ok=True)
    try:
        part.write_bytes(_empty())
    except OSError as e:
        raise UserError(f"the store cannot be opened: it cannot be written ({e.strerror})", where=str(path)) from None
    private.settle(part, path)


@cache
def _empty() -> bytes:
    """The bytes of a store that holds nothing."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "empty.duckdb"
        with contextlib.closing(_connect(file, write=True)) as connection:
            connection.begin()
            for statement in schema.create_statements():
                connection.execute(statement)
            connection.commit()
        return file.read_bytes()


def facts_file(store: Path) -> Path:
    """Where the facts of a store are kept: canalwise.duckdb -> canalwise.duckdb.facts, which no store is called."""
    return store.with_name(f"{store.name}.facts")


def largest(connection: duckdb.DuckDBPyConnection) -> int:
    """The rows of the store's largest table."""
    found = connection.execute(
        "select coalesce(max(estimated_size), 0) from duckdb_tables() where database_name = current_database()"
    ).fetchone()
    return int(found[0]) if found else 0


def _connect(path: Path, write: bool) -> duckdb.DuckDBPyConnection:
    import duckdb

    try:
        return duckdb.connect(str(path), read_only=not write, config=_CONFIG)
    except duckdb.Error as e:
        raise UserError(_why(e), where=str(path)) from None


def _version(connection: duckdb.DuckDBPyConnection, path: Path) -> int:
    """The layout of a store that this program can read, or bring to one that it can."""
    import duckdb

    try:
        found = connection.execute("select version from store_version").fetchone()
    except duckdb.Error:
        found = None
    if found is None:
        raise UserError("is a database, but not a store of canalwise", where=str(path), do="Give --store another file")
    if found[0] != schema.VERSION and not migrations.can_migrate(found[0], schema.VERSION):
        raise UserError(
            f"was written by another version of canalwise (layout {found[0]}, this one reads {schema.VERSION})",
            where=str(path),
            do="Import the exports into a new store",
        )
    return int(found[0])


def _why(error: Exception) -> str:
    text = str(error)
    if "lock on file" in text:
        return "another program holds the store open. Close it and try again"
    if "not a valid DuckDB" in text or "magic bytes" in text:
        return "is not a store (not a DuckDB database). Give --store another file"
    return "the store cannot be opened: " + text.splitlines()[0]
