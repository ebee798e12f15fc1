"""What is in a store."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.errors import UserError
from pipeline.records import KINDS

if TYPE_CHECKING:
    import duckdb


def status(connection: duckdb.DuckDBPyConnection) -> dict[str, Any]:
    """Records, quarantined rows, blanked cells, first and last date of each kind, how complete it is; and every batch.

    `completeness` is the share of records in which an optional column is filled, for each such column; blanked cells
    are not.
    """
    listed = connection.execute(
        "select kind, count(*) filter (what = 'row'), coalesce(sum(len(columns)) filter (what = 'cell'), 0)::bigint "
        "from quarantine group by kind"
    ).fetchall()
    quarantined = {kind: rows for kind, rows, _ in listed}
    blanked = {kind: cells for kind, _, cells in listed}
    kinds = {}
    for kind in KINDS.values():
        optional = [c.name for c in kind.columns if not c.required]
        filled = "".join(f', count("{name}")' for name in optional)
        dated = f'cast(min("{kind.dated_by}") as date), cast(max("{kind.dated_by}") as date)'
        counted = connection.execute(f"select count(*), {dated}{filled} from {kind.name}").fetchone()
        assert counted is not None
        records, first, last, *counts = counted
        kinds[kind.name] = {
            "records": records,
            "quarantined": quarantined.get(kind.name, 0),
            "blanked": blanked.get(kind.name, 0),
            "first": first,
            "last": last,
            "completeness": {name: n / records for name, n in zip(optional, counts, strict=True)} if records else {},
        }
    cursor = connection.execute(
        """select batch_id as batch, source_file as file, kind, loaded_at, substr(file_hash, 1, 12) as file_hash,
                  mapping_hash, "read", loaded, unchanged, superseded, quarantined,
                  (select coalesce(sum(c.blanked), 0) from cells as c where c.batch_id = batches.batch_id)::bigint
                  as blanked
           from batches order by batch_id"""
    )
    names = [d[0] for d in cursor.description or ()]
    return {"kinds": kinds, "batches": [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]}


def superseded(connection: duckdb.DuckDBPyConnection, kind: str) -> list[dict[str, Any]]:
    """The superseded records of a kind, the latest replaced last: the record, where it stood, and what replaced it."""
    if kind not in KINDS:
        raise UserError(f"there is no record kind {kind}; the kinds are {', '.join(KINDS)}")
    columns = ", ".join(f'h."{c}"' for c in KINDS[kind].names)
    cursor = connection.execute(
        f"""select {columns}, h.practice, h.source_file as file, h.source_row as "row", h.batch_id as batch,
                   h.replaced_by as replaced_by_batch, b.source_file as replaced_by_file, h.replaced_at
            from {kind}_history as h left join batches as b on b.batch_id = h.replaced_by
            order by h.replaced_at, h.batch_id, h.source_row"""
    )
    names = [d[0] for d in cursor.description or ()]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
