"""A file read again by another mapping: what only the earlier reading made of it is no record any more."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from pipeline.records import KINDS
from pipeline.store import due
from pipeline.store.batches import Batch

if TYPE_CHECKING:
    import duckdb


def withdraw(connection: duckdb.DuckDBPyConnection, batch: Batch, batch_id: int, incoming: str, refused: str) -> None:
    """Put records of earlier readings of the same bytes that this one does not have into their kind's history.

    A key may hold a date that was read wrongly: the record under the right key would stand beside that of the wrong
    one. What had replaced a record of another file stays: that a row is refused now is no reason to lose both.
    `incoming` and `refused` are those of the load; inside the caller's transaction, after the merge.
    """
    earlier = connection.execute(
        "select batch_id from batches where file_hash = ? and kind = ? and practice = ? and batch_id <> ? "
        "and mapping_hash <> ? and not list_contains(?, mapping_hash)",
        [batch.file_hash, batch.kind, batch.practice, batch_id, batch.mapping_hash, list(batch.beside)],
    ).fetchall()
    if not earlier:
        return
    kind = KINDS[batch.kind]
    same_key = " and ".join(f'n."{k}" is not distinct from o."{k}"' for k in ("practice", *kind.key))
    connection.execute(
        f"""create or replace temp table withdrawn as select o.batch_id, o.record_no from {kind.name} as o
            where o.batch_id in (select unnest(?))
            and not exists (select 1 from {incoming} as n where {same_key}
                            and n.record_no not in (select record_no from {refused}))
            and not exists (select 1 from {kind.name}_history as n where {same_key} and n.replaced_by = o.batch_id)""",
        [[number for (number,) in earlier]],
    )
    due.mark(connection, batch_id)
    gone = "(batch_id, record_no) in (select batch_id, record_no from withdrawn)"
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
    connection.execute(f"insert into {kind.name}_history select *, {batch_id}, ? from {kind.name} where {gone}", [now])
    connection.execute(f"delete from {kind.name} where {gone}")
    connection.execute(f"delete from flags where kind = ? and {gone}", [kind.name])
