"""Taking a batch out of the store again, as if its file had never been imported."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.errors import UserError
from pipeline.records import KINDS
from pipeline.store import due

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def undo(connection: Connection, batch_id: int) -> list[str]:
    """Take a batch out, inside the caller's transaction: its records go, those it superseded come back.

    Gives the files that must be imported again, and are no longer taken for known: later ones that said nothing new
    only because of this batch, and those whose refused rows it had settled. UserError when there is no such batch.
    """
    found = connection.execute("select kind from batches where batch_id = ?", [batch_id]).fetchone()
    if found is None:
        known = [str(b) for (b,) in connection.execute("select batch_id from batches order by 1").fetchall()]
        raise UserError(f"there is no batch {batch_id}", do=f"The batches are {', '.join(known) or 'none'}")
    kind = KINDS[found[0]]
    keys = ("practice", *kind.key)
    same_key = " and ".join(f'h."{k}" is not distinct from o."{k}"' for k in keys)
    here, past = kind.name, f"{kind.name}_history"
    columns = ", ".join(
        f'"{c}"' for c in (*kind.names, "practice", "source_file", "source_row", "loaded_at", "batch_id", "record_no")
    )
    # What this batch replaced comes back where its own record is the current one, or none is (see reread.py) ...
    connection.execute(
        f"""create or replace temp table restored as
            select h.* from {past} h where h.replaced_by = {batch_id}
            and (exists (select 1 from {here} o where o.batch_id = {batch_id} and {same_key})
                 or not exists (select 1 from {here} o where {same_key}))"""
    )
    connection.execute(f"delete from {here} where batch_id = {batch_id}")
    connection.execute(f"insert into {here} ({columns}) select {columns} from restored")
    connection.execute(
        f"delete from {past} h where h.replaced_by = {batch_id} and exists (select 1 from restored o where {same_key})"
    )
    # ... and where a later batch had replaced that in turn, it is this later batch that replaced it.
    connection.execute(
        f"""update {past} h set replaced_by = o.replaced_by, replaced_at = o.replaced_at
            from {past} o where h.replaced_by = {batch_id} and o.batch_id = {batch_id} and {same_key}"""
    )
    connection.execute(f"delete from {past} where batch_id = {batch_id}")
    due.mark(connection)
    for table in ("quarantine", "cells", "flags", "batches"):
        connection.execute(f"delete from {table} where batch_id = {batch_id}")
    # A later file whose rows were unchanged may have been so because of this batch, and a refusal may have been settled
    # by it, or a blanked cell of a record that is in the store: these files are known no more, so that they are read
    # again.
    affected = f"""kind = $kind and ((batch_id > $batch and unchanged > 0) or quarantined >
        (select count(*) from quarantine as q where q.batch_id = batches.batch_id and q.what = 'row')
        or (batch_id in (select batch_id from {here}) and
        (select coalesce(sum(c.blanked), 0) from cells as c where c.batch_id = batches.batch_id) >
        (select coalesce(sum(len(q.columns)), 0) from quarantine as q
         where q.batch_id = batches.batch_id and q.what = 'cell')))"""
    which = {"kind": kind.name, "batch": batch_id}
    again = connection.execute(
        f"select distinct source_file from batches where {affected} order by 1", which
    ).fetchall()
    connection.execute(f"update batches set rules_hash = 'to be read again' where {affected}", which)
    return [file for (file,) in again]
