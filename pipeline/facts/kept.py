"""Facts kept beside the store: what was made once for a question is there for the next, until the store changes.

They lie in a DuckDB file of their own, canalwise.duckdb -> canalwise.duckdb.facts, for who only reads the store may not
write into it. Nothing is lost with that file, and whoever cannot have it (another process does, the folder cannot be
written, the disk is full) makes facts for itself, as a small store does always. Every table of it has a key, of the SQL
that made it and of all that this is made from, and holds for one state of the store. Those of states before stay for
a while: renewed.py makes of them those of this one.
"""

from __future__ import annotations

import contextlib
import hashlib
import uuid
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from pipeline.facts import states
from pipeline.store.database import facts_file, largest

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

LEAST_ROWS = 10_000  # of the largest table: with fewer, to make facts anew costs less than to keep them
VERSIONS = 3  # of a table of facts that are kept: a month's review looks at an earlier day than the others
STATES = 3  # of the store of which facts stay, this one among them
DATABASE = "kept_facts"

_TABLES = {
    # A row a table of facts that is kept: what it is, by which key, of which state of the store, and its name here.
    "contents": "fact varchar, key varchar, token varchar, family varchar, as_of date, place varchar",
    **states.TABLES,
}


class Key(NamedTuple):
    """What a table of facts is kept by.

    `whole` is a hash of all that it is made from. Of one `family` are those that differ in the records and in the day
    alone up to which follow-up counts: `as_of`, an ISO date, None where it does not matter.
    """

    whole: str
    family: str
    as_of: str | None


class Entry(NamedTuple):
    """A table of facts that is kept: of which state of the store, and where."""

    fact: str
    token: str
    family: str
    as_of: str | None
    place: str


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
            _make_tables(connection)
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


def _make_tables(connection: Connection) -> None:
    """The tables that say what is kept; where they are those of another version of this program, that is dropped."""
    columns = connection.execute(
        "select column_name from duckdb_columns() where database_name = ? and table_name = 'contents' "
        "order by column_index",
        [DATABASE],
    ).fetchall()
    if columns and [name for (name,) in columns] != [column.split()[0] for column in _TABLES["contents"].split(", ")]:
        there = connection.execute(
            "select table_name from duckdb_tables() where database_name = ? "
            "and table_name not in ('pictures', 'answers')",
            [DATABASE],
        ).fetchall()
        for (name,) in there:
            connection.execute(f"drop table {DATABASE}.{name}")
    for name, described in _TABLES.items():
        connection.execute(f"create table if not exists {DATABASE}.{name} ({described})")


def keys(
    sql: Mapping[str, str], needs: Mapping[str, set[str]], given: Mapping[str, str], same: Mapping[str, str], as_of: str
) -> dict[str, Key]:
    """A key for every table of facts: of its SQL, of the tables that it is made from, and of what else is `given`.

    `sql` is in the order in which tables are made; `needs` says which words of it a table reads, `given` the content of
    tables that are no facts, by name. `same` is the SQL without the day `as_of`.
    """
    wholes, families = (_hashes(texts, needs, given) for texts in (sql, same))
    days = [{name for name in sql if sql[name] != same[name]}]
    while days[-1] != (more := days[-1] | {name for name in sql if needs[name] & days[-1]}):
        days.append(more)
    return {name: Key(wholes[name], families[name], as_of if name in days[-1] else None) for name in sql}


def _hashes(sql: Mapping[str, str], needs: Mapping[str, set[str]], given: Mapping[str, str]) -> dict[str, str]:
    import duckdb

    found: dict[str, str] = {}
    for name, text in sql.items():
        inputs = sorted(needs[name])
        parts = [duckdb.__version__, text, *(found.get(i) or given[i] for i in inputs if i in found or i in given)]
        found[name] = hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:16]
    return found


def kept(connection: Connection, name: str, key: Key) -> bool:
    """Whether a table of facts is kept for the store as it is; then it is a view of the connection."""
    found = place(connection, name, key.whole, token(connection))
    if found is None:
        return False
    connection.execute(f"create temp view {name} as select * from {table(found)}")
    return True


def keep(connection: Connection, name: str, key: Key, query: str) -> bool:
    """Make a table of facts and keep it, whole or not at all; the oldest of its kind goes. Says whether it is kept."""
    import duckdb

    to, now = f"{name}_{uuid.uuid4().hex[:16]}", token(connection)
    connection.begin()
    try:
        states.note(connection, DATABASE, now)
        connection.execute(f"create table {table(to)} as {query}")
        connection.execute(
            f"insert into {DATABASE}.contents values (?, ?, ?, ?, ?, ?)",
            [name, key.whole, now, key.family, key.as_of, to],
        )
        known = connection.execute(
            f"select place from {DATABASE}.contents where fact = ? order by rowid desc offset {VERSIONS}", [name]
        ).fetchall()
        drop(connection, [old for (old,) in known])
        connection.commit()
    except BaseException as e:
        with contextlib.suppress(duckdb.Error):  # a failed commit (disk full) has ended the transaction already
            connection.rollback()
        if isinstance(e, duckdb.Error):
            return False
        raise
    connection.execute(f"create temp view {name} as select * from {table(to)}")
    return True


def held(connection: Connection, keys: Mapping[str, Key]) -> set[str]:
    """The names of those that are kept for the store as it is."""
    found = connection.execute(f"select fact, key from {DATABASE}.contents where token = ?", [token(connection)])
    return {name for name, key in found.fetchall() if name in keys and keys[name].whole == key}


def place(connection: Connection, name: str, key: str, token: str) -> str | None:
    """Where a table of facts is kept that was made by the key for that state of the store."""
    query = f"select place from {DATABASE}.contents where fact = ? and key = ? and token = ?"
    found = connection.execute(query, [name, key, token]).fetchone()
    return found[0] if found else None


def note_state(connection: Connection) -> str:
    """Keep what the store holds now; gives the state's token."""
    now = token(connection)
    connection.begin()
    try:
        states.note(connection, DATABASE, now)
        connection.commit()
    except BaseException:
        import duckdb

        with contextlib.suppress(duckdb.Error):
            connection.rollback()
        raise
    return now


def carry_over(connection: Connection, then: str, now: str) -> None:
    """What was made of state `then` of the store is what would be made of state `now`."""
    connection.execute(
        f"update {DATABASE}.contents set token = $now where token = $then "
        f"and (fact, key) not in (select (fact, key) from {DATABASE}.contents where token = $now)",
        {"now": now, "then": then},
    )


def forget(connection: Connection, places: list[str]) -> None:
    """Drop tables of facts, if the disk lets us."""
    import duckdb

    if not places:
        return
    connection.begin()
    try:
        drop(connection, places)
        connection.commit()
    except duckdb.Error:
        with contextlib.suppress(duckdb.Error):
            connection.rollback()


def earlier(connection: Connection) -> list[Entry]:
    """What is kept of states before this one, the latest state first, and of one what was kept last."""
    found = connection.execute(
        f"""select fact, token, family, cast(as_of as varchar), place from {DATABASE}.contents as c
            join (select token, max(rowid) as place_of from {DATABASE}.states group by token) using (token)
            where token <> ? order by place_of desc, c.rowid desc""",
        [token(connection)],
    ).fetchall()
    return [Entry(*row) for row in found]


def _forget_older(connection: Connection) -> None:
    """Drop the facts of what the store held longer ago."""
    now = token(connection)
    before = [
        state
        for (state,) in connection.execute(
            f"select token from {DATABASE}.states where token <> ? group by token order by max(rowid) desc", [now]
        ).fetchall()
    ]
    stay = [now, *before[: STATES - 1]]
    old = connection.execute(
        f"select place from {DATABASE}.contents where not list_contains(?, token)", [stay]
    ).fetchall()
    if old or before[STATES - 1 :]:
        connection.begin()
        drop(connection, [place for (place,) in old])
        for name in ("states", "state_flags"):
            connection.execute(f"delete from {DATABASE}.{name} where not list_contains(?, token)", [stay])
        # What batches brought that were taken out of all of these states is noted no more.
        connection.execute(
            f"delete from {DATABASE}.changes "
            f"where (of_batch, loaded_at) not in (select (batch_id, loaded_at) from {DATABASE}.states)"
        )
        connection.commit()


def drop(connection: Connection, places: list[str]) -> None:
    """Drop tables of facts, inside the caller's transaction."""
    for place in places:
        connection.execute(f"drop table if exists {table(place)}")
        connection.execute(f"delete from {DATABASE}.contents where place = ?", [place])


def table(place: str) -> str:
    return f"{DATABASE}.{place}"


def token(connection: Connection) -> str:
    """The state of the store: its token, and of its file what changes when anybody else writes into it."""
    found = connection.execute("select token from store_state").fetchone()
    store = _store(connection)
    assert found is not None and store is not None
    there = store.stat()
    return f"{found[0]} {there.st_size} {there.st_mtime_ns}"
