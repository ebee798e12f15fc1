"""What the store keeps of refused rows and of rows with blanked cells, and when either is settled."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.mapping.model import place
from pipeline.mapping.recognise import Recognised
from pipeline.output.escape import unescape_formulas
from pipeline.records import KINDS
from pipeline.store.batches import Batch
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    from pipeline.sources.table import Dialect, Pieces, RawTable

    Connection = duckdb.DuckDBPyConnection

# The columns that an export of refused rows has in front of the cells of the rows themselves.
ABOUT = tuple(f"refused: {name}" for name in ("file", "row", "kind", "reason"))
# In place of text that may be private. The cells of a broken row may be shifted against the header by nobody knows how
# many: where any column holds patient ids, or is mapped by nobody, none of its cells can be shown. The row's number and
# the reason lead back to the export.
WITHHELD = "…"


def without_escapes(raw: RawTable) -> RawTable:
    """`raw` without the apostrophes that export put before formulas; what is no export of ours stays as it is."""
    import polars as pl

    if not set(ABOUT) <= set(raw.header):
        return raw
    cells = pl.selectors.starts_with("c") & pl.selectors.string()
    return replace(raw, rows=raw.rows.with_columns(unescape_formulas(cells)))


def first_record(source_row: int, per_row: int) -> int:
    """The number of the first record of a row where a row makes at most `per_row` records."""
    return (source_row - 1) * per_row + 1


def settle(connection: Connection, pieces: Pieces, kind: str) -> None:
    """Take refusals and blanked cells out of quarantine whose record came again: one of their key, in whatever file.

    Cells that are blank in it as well are listed anew, see `keep`. A row that comes back from an export of the
    quarantine takes the place of the very row it was made from, whether it is sound now or refused again, and also
    where its key itself was mended. Reads the relations `incoming` and `refused` of the load.
    """
    if not connection.execute("select 1 from quarantine where kind = ? limit 1", [kind]).fetchone():
        return
    sound = "record_no not in (select record_no from refused)"
    connection.execute(
        f"delete from quarantine where kind = ? and key in "
        f"(select {key_of(kind, 'i')} from incoming as i where {sound})",
        [kind],
    )
    header = pieces.about.header
    if set(ABOUT) <= set(header):
        file, row = (f"c{header.index(name)}" for name in ABOUT[:2])
        rows = without_escapes(pieces.whole()).rows
        connection.register("came_back", rows.select(file=file, row=row).to_arrow())
        connection.execute(
            "delete from quarantine where kind = ? and (source_file, source_row) in "
            "(select file, try_cast(row as bigint) from came_back)",
            [kind],
        )
        connection.unregister("came_back")


def key_of(kind: str, alias: str) -> str:
    """SQL of a record's key as one text, NULL while any part of it is missing."""
    return " || chr(31) || ".join(f'{alias}."{column}"' for column in ("practice", *KINDS[kind].key))


def keep(
    connection: Connection, rows_of: Callable[[pl.Series], RawTable], how: Recognised, batch: Batch, per_row: int
) -> None:
    """Keep refused rows, and those with blanked cells, with their reasons and what is needed to mend them: mapped cells
    only, as `rows_of` gives the rows of some numbers.

    These have pseudonyms for patients' numbers already (mapping/patients.py). Reads the relations `faults`, `refused`,
    `lost` and `incoming` of the load.
    """
    import polars as pl

    from pipeline.mapping.patients import private_sources

    refused = frame(connection, "select source_row from refused union select source_row from lost")
    if not refused.height:
        return
    raw = rows_of(refused["source_row"])
    cell = {name: f"c{place(raw.header, name)}" for name in how.mapping.sources}
    rows = raw.rows.select("source_row", *(pl.col(c).alias(name) for name, c in cell.items()))
    texts = [(row.pop("source_row"), json.dumps(row, ensure_ascii=False)) for row in rows.iter_rows(named=True)]
    unmapped = set(raw.header) - set(how.mapping.sources) - set(ABOUT)
    private = bool(unmapped or private_sources(raw.header, how.mapping))
    texts += [(b.source_row, WITHHELD if private else _within(b.raw, len(raw.header), raw.found)) for b in raw.broken]
    kept = pl.DataFrame(texts, schema={"source_row": pl.Int64, "record": pl.String}, orient="row")
    connection.register("refused_texts", kept)
    connection.execute(
        f"""insert into quarantine
           select any_value(f.batch_id), f.record_no, $kind, $file, any_value(f.source_row),
                  any_value({key_of(how.kind, "i")}),
                  list(f.rule order by f.rule), list(f.reason order by f.rule),
                  list_distinct(flatten(list(f.columns))), any_value(t.record), 'row'
           from faults f join refused_texts t using (source_row) left join incoming i using (record_no)
           where f.action in ('quarantine', 'blank') and f.record_no in (select record_no from refused)
           group by f.record_no order by f.record_no""",
        {"kind": how.kind, "file": batch.source_file},
    )
    connection.execute(
        f"""insert into quarantine
           select any_value(i.batch_id), l.record_no, $kind, $file, any_value(l.source_row),
                  any_value({key_of(how.kind, "i")}),
                  list(l.rule order by l."column", l.rule), list(l.reason order by l."column", l.rule),
                  list(l."column" order by l."column", l.rule), any_value(t.record), 'cell'
           from lost l join refused_texts t using (source_row) join incoming i using (record_no)
           where l.record_no not in (select record_no from refused)
           group by l.record_no order by l.record_no""",
        {"kind": how.kind, "file": batch.source_file},
    )
    connection.unregister("refused_texts")


def _within(raw: str, width: int, dialect: Dialect | None) -> str:
    """The text of a record that cannot be told into cells, but for what stands beyond the `width` cells of the header.

    Delimiters in quotes count as well: what is left out is rather too much than too little.
    """
    if dialect is None or dialect.delimiter is None:
        return raw
    cells = raw.split(dialect.delimiter)
    return raw if len(cells) <= width else dialect.delimiter.join([*cells[:width], WITHHELD])
