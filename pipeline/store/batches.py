"""Writing one file into the store: one batch, one transaction, every record accounted for.

A record whose key is new is loaded; one that says what the store already says is unchanged; one that says something
else supersedes, and what it replaced goes to the kind's history.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from pipeline.records import KINDS
from pipeline.store import due

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


@dataclass(frozen=True)
class Counts:
    """What became of the records of one file. read = loaded + unchanged + superseded + quarantined.

    `blanked`: how many cells of the records taken in were left empty, as what stood in them is impossible or unknown.
    """

    read: int
    loaded: int
    unchanged: int
    superseded: int
    quarantined: int
    blanked: int = 0


@dataclass(frozen=True)
class Batch:
    """Where a batch came from.

    `mapping` is how it was read, as JSON. `beside` are the mapping hashes of all tables of this kind that this run
    reads from the same file: one row of it may hold several canals, each a table of its own.
    """

    source_file: str
    kind: str
    practice: str
    time_zone: str
    file_hash: str
    file_bytes: int
    mapping: str
    mapping_hash: str
    rules_hash: str
    beside: tuple[str, ...] = ()


def next_id(connection: Connection) -> int:
    found = connection.execute("select coalesce(max(batch_id), 0) + 1 from batches").fetchone()
    assert found is not None
    return int(found[0])


def today(connection: Connection) -> dt.date:
    """The day at the practice, by the time zone that it last imported with: dates in records are judged by it."""
    found = connection.execute("select time_zone from batches order by batch_id desc limit 1").fetchone()
    return dt.datetime.now(ZoneInfo(found[0] if found else "UTC")).date()


def same_file_before(connection: Connection, batch: Batch) -> Counts | None:
    """The counts of a batch of the same bytes, read by the same mapping and rules; None when there is none.

    Reading it again would change nothing: what it loaded is unchanged now, what it refused is still refused.
    """
    found = connection.execute(
        """select "read", quarantined,
                  (select coalesce(sum(blanked), 0) from cells where cells.batch_id = batches.batch_id) from batches
           where file_hash = ? and kind = ? and practice = ? and mapping_hash = ? and rules_hash = ? limit 1""",
        [batch.file_hash, batch.kind, batch.practice, batch.mapping_hash, batch.rules_hash],
    ).fetchone()
    if found is None:
        return None
    read, quarantined, blanked = map(int, found)
    return Counts(read, 0, read - quarantined, 0, quarantined, blanked)


def merge(
    connection: Connection,
    batch: Batch,
    batch_id: int,
    *,
    incoming: str,
    refused: str,
    repeats: bool,
    first: str = "record_no",
) -> Counts:
    """Merge the accepted records of `incoming` into their kind's table, inside the caller's transaction.

    `incoming` has batch_id, record_no, source_row, practice and the record; `refused` holds the record_no of every
    quarantined record, including those that never became an incoming row; `repeats` says whether several of the
    accepted records share a key (they then say the same), and `first` in which order one of them counts. Raises
    AssertionError when the counts do not add up; the caller rolls back.
    """
    kind = KINDS[batch.kind]
    columns = ", ".join(f'"{c}"' for c in kind.names)
    keys = ("practice", *kind.key)
    same_key = " and ".join(f'n."{k}" is not distinct from o."{k}"' for k in keys)
    changed = " or ".join(f'n."{c}" is distinct from o."{c}"' for c in kind.names if c not in kind.key) or "false"
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
    parameters = {"file": batch.source_file, "now": now}

    def count(sql: str) -> int:
        row = connection.execute(sql).fetchone()
        assert row is not None
        return int(row[0])

    accepted_rows = incoming
    quarantined = count(f"select count(distinct record_no) from {refused}")
    if quarantined:
        accepted_rows = "accepted"
        connection.execute(
            f"create or replace temp table accepted as select * from {incoming} "
            f"where record_no not in (select record_no from {refused})"
        )
    accepted = records = count(f"select count(*) from {accepted_rows}")
    if repeats:
        # A row that stands in the file twice, to the letter, counts once; the second says nothing new.
        key_list = ", ".join(f'"{k}"' for k in keys)
        connection.execute(
            f"create or replace temp table accepted as select * from {accepted_rows} "
            f"qualify row_number() over (partition by {key_list} order by {first}) = 1"
        )
        accepted_rows = "accepted"
        records = count("select count(*) from accepted")
    if count(f"select count(*) from (select 1 from {kind.name} limit 1)"):
        connection.execute(
            f"create or replace temp table verdicts as select n.record_no, o.batch_id as old_batch, "
            f"o.record_no as old_record, o.batch_id is not null as known, "
            f"case when o.batch_id is null then false else ({changed}) end as changed "
            f"from {accepted_rows} n left join {kind.name} o on {same_key}"
        )
        superseded = count("select count(*) from verdicts where known and changed")
        loaded = count("select count(*) from verdicts where not known")
    else:  # the first of their kind
        superseded, loaded = 0, records
    unchanged = accepted - superseded - loaded
    if superseded:
        old = "select old_batch, old_record from verdicts where known and changed"
        connection.execute(
            f"insert into {kind.name}_history select *, {batch_id}, ? from {kind.name} "
            f"where (batch_id, record_no) in ({old})",
            [now],
        )
        connection.execute(f"delete from {kind.name} where (batch_id, record_no) in ({old})")
        connection.execute(f"delete from flags where kind = ? and (batch_id, record_no) in ({old})", [kind.name])
    if loaded or superseded:
        due.mark(connection, batch_id)
        some = "where record_no in (select record_no from verdicts where not known or changed)"
        new = some if loaded + superseded < records else ""
        connection.execute(
            f"insert into {kind.name} ({columns}, practice, source_file, source_row, loaded_at, batch_id, record_no) "
            f"select {columns}, practice, $file, source_row, $now, batch_id, record_no from {accepted_rows} {new}",
            parameters,
        )
    counts = Counts(
        count(
            f"select (select count(*) from {incoming}) + (select count(distinct record_no) from {refused} "
            f"where record_no not in (select record_no from {incoming}))"
        ),
        loaded,
        unchanged,
        superseded,
        quarantined,
    )
    _add_up(counts)
    connection.execute(
        f"insert into batches values ({', '.join('?' * 16)})",
        [
            batch_id, batch.source_file, batch.kind, batch.practice, batch.time_zone, batch.file_hash, batch.file_bytes,
            batch.mapping, batch.mapping_hash, batch.rules_hash, now,
            counts.read, counts.loaded, counts.unchanged, counts.superseded, counts.quarantined,
        ],
    )  # fmt: skip
    return counts


def _add_up(counts: Counts) -> None:
    parts = counts.loaded + counts.unchanged + counts.superseded + counts.quarantined
    if counts.read != parts:
        raise AssertionError(f"{counts.read} records read, {parts} accounted for: {counts}")
