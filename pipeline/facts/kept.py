"""Facts kept beside the store: what was made once for a question is there for the next, until the store changes.

They lie in a DuckDB file of their own, canalwise.duckdb -> canalwise.facts, for who only reads the store may not write
into it. Nothing is lost with that file, and whoever cannot have it (another process does, the folder cannot be written)
makes facts for itself, as a small store does always. Every table of it has a key: of what the store holds (its token),
of the SQL that made it and of all that this is made from.
"""

from __future__ import annotations

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

    Of a store whose largest table has fewer rows than LEAST_ROWS, or `least_rows`, there is none.
    """
    import duckdb

    databases = dict(connection.execute("select database_name, path from duckdb_databases()").fetchall())
    if DATABASE in databases:
        return True
    here = connection.execute("select current_database()").fetchone()
    store = databases.get(here[0]) if here else None
    if not store or largest(connection) < (LEAST_ROWS if least_rows is None else least_rows):
        return False
    file = facts_file(Path(store))
    for _ in range(2):
        try:
            connection.execute(f"attach '{str(file).replace(chr(39), chr(39) * 2)}' as {DATABASE} (read_write)")
            connection.execute(
                f"create table if not exists {DATABASE}.contents (fact varchar, key varchar, token varchar)"
            )
        except duckdb.Error as e:
            if "lock" in str(e) or not file.is_file():  # another process has it, or nobody can
                return False
            file.unlink()  # no such file, or one of another DuckDB
            continue
        _forget_older(connection)
        return True
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


def keep(connection: Connection, name: str, key: str, query: str) -> None:
    """Make a table of facts and keep it, whole or not at all; the oldest of its kind goes."""
    connection.begin()
    try:
        connection.execute(f"create table {_table(name, key)} as {query}")
        connection.execute(f"insert into {DATABASE}.contents values (?, ?, ?)", [name, key, _token(connection)])
        known = connection.execute(
            f"select key from {DATABASE}.contents where fact = ? order by rowid desc offset {VERSIONS}", [name]
        ).fetchall()
        _drop(connection, [(name, old) for (old,) in known])
        connection.commit()
    except BaseException:
        connection.rollback()
        raise
    connection.execute(f"create temp view {name} as select * from {_table(name, key)}")


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
    found = connection.execute("select token from store_state").fetchone()
    assert found is not None
    return str(found[0])
