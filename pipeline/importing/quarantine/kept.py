"""What the quarantine keeps: where refused rows came from, and their cells as a table again."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.checks.suites import fingerprint
from pipeline.importing.quarantine.how import How, as_read
from pipeline.importing.quarantine.listing import Wanted
from pipeline.sources.table import RawTable, cell_names
from pipeline.store.batches import Batch
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    Connection = duckdb.DuckDBPyConnection


@dataclass(frozen=True)
class Origin:
    """A batch with refused rows: its number, what it was known by, and the names of the cells kept of its rows."""

    number: int
    batch: Batch
    header: tuple[str, ...]


def origins(connection: Connection, wanted: Wanted) -> list[Origin]:
    """The batches with wanted refusals, in the order of their numbers."""
    found = connection.execute(
        f"""select b.batch_id, min(case when len(q.columns) > 0 then q.record end), b.source_file, b.kind, b.practice,
                   b.time_zone, b.file_hash, b.file_bytes, b.mapping, b.mapping_hash, b.rules_hash
            from quarantine q join batches b using (batch_id) where {wanted.sql} group by all order by b.batch_id""",
        vars(wanted),
    ).fetchall()
    return [
        Origin(number, Batch(*known), tuple(json.loads(record)) if record else ()) for number, record, *known in found
    ]


def kept_rows(connection: Connection, number: int, wanted: Wanted) -> pl.DataFrame:
    """source_row, record and broken of every row of the batch that has a wanted refusal."""
    connection.execute(
        f"create or replace temp table again as select distinct q.source_row from quarantine q "
        f"where q.batch_id = {number} and {wanted.sql}",
        vars(wanted),
    )
    return frame(
        connection,
        f"""select source_row, any_value(record) as record, bool_and(len(columns) = 0) as broken
            from quarantine where batch_id = {number} and source_row in (select source_row from again)
            group by source_row order by source_row""",
    )


def as_table(rows: pl.DataFrame, header: tuple[str, ...], how: How) -> RawTable:
    """Kept rows (source_row, record) as their reader gave them, with the mapped columns only."""
    import polars as pl

    cells = rows["record"].str.json_decode(pl.Struct(dict.fromkeys(header, pl.String)))
    named = (cells.struct.field(h).fill_null("").alias(c) for h, c in zip(header, cell_names(len(header)), strict=True))
    return RawTable(header, pl.DataFrame([rows["source_row"].cast(pl.Int64), *named]), typed_cells=how.typed_cells)


def known_as(batch: Batch, how: How, rows: pl.DataFrame) -> Batch:
    """The batch of rows read again: of the same file, but never taken for it."""
    mapping = as_kept(batch, how)
    text = "\n".join(["rows read again", batch.file_hash, *rows["record"].to_list()]).encode()
    return replace(
        batch,
        file_hash=hashlib.sha256(text).hexdigest(),
        file_bytes=len(text),
        mapping=mapping,
        mapping_hash=hash_of(mapping),
        rules_hash=fingerprint(batch.kind),
    )


def as_kept(batch: Batch, how: How) -> str:
    """The JSON of how rows of a batch are read now: the batch's own where nothing changed."""
    old = as_read(batch.mapping)
    if (how.table, how.options) == (old.table, old.options):
        return batch.mapping
    kept = {"kind": how.table.model_dump(mode="json", by_alias=True), "file": how.options.model_dump(mode="json")}
    return json.dumps(kept | {"typed_cells": how.typed_cells, "sheet": how.sheet})


def hash_of(mapping: str) -> str:
    """As ingest.py makes it of a batch's mapping."""
    return hashlib.sha256(mapping.encode()).hexdigest()[:16]
