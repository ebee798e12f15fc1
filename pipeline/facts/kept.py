"""Facts kept beside the store: what was made once for a question is there for the next, until the store changes.

They lie in a DuckDB file of their own, canalwise.duckdb -> canalwise.duckdb.facts, for who only reads the store may not
write into it. Nothing is lost with that file, and whoever cannot have it (another process does, the folder cannot be
written, the disk is full) makes facts for itself, as a small store does always. Every table of it has a key, of the SQL
that made it and of all that this is made from, and holds for one state of the store.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.store.database import facts_file, largest

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

LEAST_ROWS = 10_000  # of the largest table: with fewer, to make facts anew costs less than to keep them
VERSIONS = 3  # of a table of facts that are kept: a month's review looks at an earlier day than the others
DATABASE = "kept_facts"


def open_file(connection: Connection, least_rows: int | None = None) -> bool:
    """Attach the file of kept facts to a store's connection, if it can be had; says whether it is there.

    Of a store whose largest table has fewer rows than LEAST_ROWS, or `least_rows`, there is none; nor of one that is
    open for writing, whose records may change from one question to the next.
    """
    import duckdb

    databases = connection.execute("select database_name from duckdb_databases()").fetchall()
    if (DATABASE,) in databases:
        return True
    store = _store(connection)
    if store is None or largest(connection) < (LEAST_ROWS if least_rows is None else least_rows):
        return False
    file = facts_file(store)
    for _ in range(2):
        try:
            connection.execute(f"attach '{str(file).replace(chr(39), chr(39) * 2)}' as {DATABASE} (read_write)")
            connection.execute(
                f"create table if not exists {DATABASE}.contents (fact varchar, key varchar, token varchar)"
            )
        except duckdb.Error as e:
            if "lock" in str(e) or not _is_ours(file):  # another process has it, or nobody can
                return False
            with contextlib.suppress(OSError):
                file.unlink()  # damaged, or of another DuckDB
            continue
        _forget_older(connection)
        return True
    return False


def _store(connection: Connection) -> Path | None:
    """The file of the store that a connection reads; None where it is in memory, or open for writing."""
    found = connection.execute(
        "select path from duckdb_databases() where database_name = current_database() and readonly"
    ).fetchone()
    return Path(found[0]) if found and found[0] else None


def _is_ours(file: Path) -> bool:
    """Whether it is a DuckDB file, by its first bytes: nothing else is taken for ours and removed."""
    try:
        with file.open("rb") as opened:
            return opened.read(12)[8:] == b"DUCK"
    except OSError:
        return False


def keys(sql: Mapping[str, str], needs: Mapping[str, set[str]], given: Mapping[str, str]) -> dict[str, str]:
    """A key for every table of facts: of its SQL, of the tables that it is made from, and of what else is `given`.

    `sql` is in the order in which tables are made; `needs` says which words of it a table reads, `given` the content of
    tables that are no facts, by name.
    """
    import duckdb

    found: dict[str, str] = {}
    for name, text in sql.items():
        inputs = sorted(needs[name])
        parts = [duckdb.__version__, text, *(found.get(i) or given[i] for i in inputs if i in found or i in given)]
        found[name] = hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:16]
    return found


def kept(connection: Connection, name: str, key: str) -> bool:
    """Whether a table of facts is kept; then it is a view of the connection."""
    query = f"select 1 from {DATABASE}.contents where fact = ? and key = ?"
    if not connection.execute(query, [name, key]).fetchall():
        return False
    connection.execute(f"create temp view {name} as select * from {_table(name, key)}")
    return True


def keep(connection: Connection, name: str, key: str, query: str) -> bool:
    """Make a table of facts and keep it, whole or not at all; the oldest of its kind goes. Says whether it is kept."""
    import duckdb

    connection.begin()
    try:
        connection.execute(f"create table {_table(name, key)} as {query}")
        connection.execute(f"insert into {DATABASE}.contents values (?, ?, ?)", [name, key, _token(connection)])
        known = connection.execute(
            f"select key from {DATABASE}.contents where fact = ? order by rowid desc offset {VERSIONS}", [name]
        ).fetchall()
        _drop(connection, [(name, old) for (old,) in known])
        connection.commit()
    except BaseException as e:
        with contextlib.suppress(duckdb.Error):  # a failed commit (disk full) has ended the transaction already
            connection.rollback()
        if isinstance(e, duckdb.Error):
            return False
        raise
    connection.execute(f"create temp view {name} as select * from {_table(name, key)}")
    return True


def _forget_older(connection: Connection) -> None:
    """Drop the facts of what the store held before."""
    old = connection.execute(
        f"select fact, key from {DATABASE}.contents where token <> ?", [_token(connection)]
    ).fetchall()
    if old:
        connection.begin()
        _drop(connection, old)
        connection.commit()


def _drop(connection: Connection, tables: list[tuple[str, str]]) -> None:
    for name, key in tables:
        connection.execute(f"drop table if exists {_table(name, key)}")
        connection.execute(f"delete from {DATABASE}.contents where fact = ? and key = ?", [name, key])


def _table(name: str, key: str) -> str:
    return f"{DATABASE}.{name}_{key}"


def _token(connection: Connection) -> str:
    """The state of the store: its token, and of its file what changes when anybody else writes into it."""
    found = connection.execute("select token from store_state").fetchone()
    store = _store(connection)
    assert found is not None and store is not None
    there = store.stat()
    return f"{found[0]} {there.st_size} {there.st_mtime_ns}"
