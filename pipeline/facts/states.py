"""What a store held when facts were made of it, and which records it has lost, gained or changed since.

A state is a row a batch and kind (how many records of it are in the store, and a checksum of all that stands in them)
and a row a flag. What has changed follows from the batches that are new and from those that were taken out; the
checksums say whether that explains every record. Where it does not, somebody else wrote into the store.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.records import KINDS, Kind

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

# Whose a record is: what it shares with those that facts hold it against (renewed.py).
WHOSE = {
    "practice": "varchar",
    "treatment_id": "varchar",
    "instrument_id": "varchar",
    "patient_id": "varchar",
    "tooth": "integer",
    "visit_id": "varchar",
    "chair": "varchar",
    "seated_at": "timestamp",
    "left_at": "timestamp",
}
_RECORD = {"kind": "varchar", "batch_id": "bigint", "record_no": "bigint", **WHOSE}


def _described(columns: dict[str, str]) -> str:
    return ", ".join(f"{name} {type_}" for name, type_ in columns.items())


TABLES = {
    # What the store held, by its token: a row a batch and kind, and a row a record and flag that leaves out.
    "states": "token varchar, batch_id bigint, loaded_at timestamp, kind varchar, records bigint, content ubigint",
    "state_flags": "token varchar, kind varchar, batch_id bigint, record_no bigint, rule varchar",
    # What batches changed, as long as they may be taken out again: records that they brought, replaced or withdrew.
    "changes": f"of_batch bigint, loaded_at timestamp, of_kind varchar, {_described(_RECORD)}",
}
CHANGES_OF = 100  # batches, the latest ones
CHANGED = "changed_records"
LARGE = 0.25  # from this share of all records on, to find out what they touch costs more than to make all facts anew

_FLAGS = "select distinct kind, batch_id, record_no, rule from flags where len(spoils) > 0"


def note(connection: Connection, database: str, token: str) -> None:
    """Keep what the store holds now, once, in the tables of `database`; inside the caller's transaction."""
    if connection.execute(f"select 1 from {database}.states where token = ? limit 1", [token]).fetchall():
        return
    held = " union all ".join(
        f"select '{kind.name}' as kind, batch_id, count(*) as records, bit_xor({_hash(kind)}) as content "
        f"from {kind.name} group by batch_id"
        for kind in KINDS.values()
    )
    connection.execute(
        f"""insert into {database}.states
            select ?, batch_id, b.loaded_at, kind, coalesce(r.records, 0), coalesce(r.content, 0)
            from (select batch_id, kind, loaded_at from batches) as b full join ({held}) as r using (batch_id, kind)""",
        [token],
    )
    connection.execute(f"insert into {database}.state_flags select ?, * from ({_FLAGS})", [token])


def changes(connection: Connection, database: str, then: str, now: str) -> bool:
    """Make the temporary table CHANGED: the records that state `now` has and `then` had not, or the other way round.

    A row a record and version, with its kind and whose it is, and the batch that changed it; those whose flags have
    changed are among them. Both states are noted. Says whether it is certain that these are all, and whether they are
    few enough to be worth the trouble.
    """
    connection.execute(
        f"""create or replace temp table both_states as
            select coalesce(t.batch_id, n.batch_id) as batch_id, coalesce(t.kind, n.kind) as kind,
                   coalesce(t.loaded_at, n.loaded_at) as loaded_at, t.token is null as added, n.token is null as gone,
                   t.records as records_then, t.content as content_then,
                   n.records as records_now, n.content as content_now
            from (select * from {database}.states where token = $then) as t
            full join (select * from {database}.states where token = $now) as n
            on t.batch_id = n.batch_id and t.kind = n.kind and t.loaded_at is not distinct from n.loaded_at""",
        {"then": then, "now": now},
    )
    if _any(connection, f"select sum(records_now) filter (added) > {LARGE} * sum(records_now) from both_states"):
        return False
    record = ", ".join(_RECORD)
    connection.execute(
        f"""create or replace temp table taken_out as
            select {record} from {database}.changes as c
            where (of_batch, loaded_at, of_kind) in (select (batch_id, loaded_at, kind) from both_states where gone)"""
    )
    unknown = "select count(*) > 0 from both_states where gone and records_then > 0 and (batch_id, loaded_at, kind) "
    if _any(connection, f"{unknown} not in (select (of_batch, loaded_at, of_kind) from {database}.changes)"):
        return False  # nobody knows any more what it held
    if not _explained(connection):
        return False
    parts = [f"select null as of_batch, {record} from taken_out"]
    for kind in KINDS.values():
        added = f"(select batch_id from both_states where added and kind = '{kind.name}')"
        here, past = _record(kind), f"{kind.name}_history"
        parts += [
            f"select batch_id as of_batch, {here} from {kind.name} where batch_id in {added}",
            f"select batch_id as of_batch, {here} from {past} where batch_id in {added}",
            f"select replaced_by as of_batch, {here} from {past} where replaced_by in {added}",
        ]
    connection.execute(f"create or replace temp table {CHANGED} as {' union all '.join(parts)}")
    connection.execute(
        f"""insert into {database}.changes
            select c.of_batch, b.loaded_at, b.kind, {", ".join(f"c.{name}" for name in _RECORD)}
            from {CHANGED} as c join both_states as b on b.added and b.batch_id = c.of_batch and b.kind = c.kind
            where (b.batch_id, b.loaded_at, b.kind) not in
                (select (of_batch, loaded_at, of_kind) from {database}.changes)"""
    )
    connection.execute(
        f"""delete from {database}.changes where loaded_at < (
            select min(loaded_at) from
            (select distinct loaded_at from {database}.changes order by loaded_at desc limit {CHANGES_OF}))"""
    )
    _add_flagged(connection, database, then, now)
    return True


def _explained(connection: Connection) -> bool:
    """Whether batches that were there before hold what they held, but for what new batches replaced or old ones had."""
    parts = []
    for kind in KINDS.values():
        added = f"(select batch_id from both_states where added and kind = '{kind.name}')"
        parts += [
            # What a batch that was taken out had replaced is back, if it is here.
            f"select '{kind.name}' as kind, batch_id, {_hash(kind)} as content, -1 as records from {kind.name} "
            f"where (batch_id, record_no) in (select (batch_id, record_no) from taken_out where kind = '{kind.name}')",
            f"select '{kind.name}', batch_id, {_hash(kind)}, 1 from {kind.name}_history where replaced_by in {added}",
        ]
    return not _any(
        connection,
        f"""select count(*) > 0 from both_states as b left join (
                select kind, batch_id, bit_xor(content) as content, sum(records) as records
                from ({" union all ".join(parts)}) group by kind, batch_id) as m using (kind, batch_id)
            where not b.added and not b.gone
            and (b.records_then <> b.records_now + coalesce(m.records, 0)
                 or b.content_then <> xor(b.content_now, coalesce(m.content, 0::ubigint)))""",
    )


def _add_flagged(connection: Connection, database: str, then: str, now: str) -> None:
    """Add records whose flags have changed: those that are no longer here are among the others already."""
    of = f"select kind, batch_id, record_no, rule from {database}.state_flags where token"
    connection.execute(
        f"""create or replace temp table flags_changed as select distinct kind, batch_id, record_no from (
            (({of} = $then) except ({of} = $now)) union all (({of} = $now) except ({of} = $then)))""",
        {"then": then, "now": now},
    )
    for (name,) in connection.execute("select distinct kind from flags_changed").fetchall():
        connection.execute(
            f"insert into {CHANGED} select null, {_record(KINDS[name])} from {name} "
            f"where (batch_id, record_no) in (select (batch_id, record_no) from flags_changed where kind = '{name}')"
        )


def _hash(kind: Kind) -> str:
    """SQL: a number of all that stands in a record."""
    columns = ", ".join(f'"{name}"' for name in kind.names)
    return f"hash({columns}, practice, batch_id, record_no)"


def _record(kind: Kind) -> str:
    """SQL: the columns of _RECORD, empty where a kind has none."""
    whose = (name if name in (*kind.names, "practice") else f"cast(null as {WHOSE[name]})" for name in WHOSE)
    return f"'{kind.name}' as kind, batch_id, record_no, " + ", ".join(
        f"{sql} as {name}" for sql, name in zip(whose, WHOSE, strict=True)
    )


def _any(connection: Connection, sql: str) -> bool:
    found = connection.execute(sql).fetchone()
    return bool(found and found[0])
