"""One table of an export into the store: typed, pseudonymised, judged, merged; what is refused goes to quarantine.

An impossible or unknown value in a column that may be empty empties that cell, and the record stays; the cell is listed
in quarantine as well. Keys and what else is required of a record, and rules about it as a whole, refuse it.

Everything here happens in the caller's transaction.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.checks.judge import create_faults, judge
from pipeline.checks.suites import Rule, suite
from pipeline.importing.refusals import first_record, keep, settle, without_escapes
from pipeline.importing.reread import withdraw
from pipeline.importing.staged import Staged, spill_folder
from pipeline.mapping.recognise import Recognised
from pipeline.records import KINDS
from pipeline.store import cells
from pipeline.store.batches import Batch, Counts, merge, next_id
from pipeline.store.frames import frame
from pipeline.store.pseudonyms import pseudonyms

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb
    import polars as pl

    from pipeline.mapping.apply import Typed, Whole
    from pipeline.mapping.patients import Hidden
    from pipeline.sources.table import Broken, Pieces, RawTable

    Connection = duckdb.DuckDBPyConnection


@dataclass
class _Read:
    """What became of an export: see mapping.apply.Typed."""

    records: Staged
    faults: pl.DataFrame
    per_row: int
    cells: dict[str, int]


def load(
    connection: Connection, raw: RawTable | Pieces, how: Recognised, batch: Batch, key: bytes, *, today: dt.date
) -> Counts:
    """Write the records of `raw` as one batch. `key` makes pseudonyms; `today` is the day that dates are judged by.

    Raises AssertionError when the books, of rows or of cells, do not add up; the caller rolls back.
    """
    from pipeline.sources.table import Pieces

    pieces = raw if isinstance(raw, Pieces) else Pieces.of(raw)
    read = _read(pieces, how, batch, key, spill_folder(connection))
    try:
        return _load(connection, pieces, read, how, batch, key, today)
    finally:
        read.records.close()


def _load(
    connection: Connection, pieces: Pieces, typed: _Read, how: Recognised, batch: Batch, key: bytes, today: dt.date
) -> Counts:
    batch_id = next_id(connection)
    create_faults(connection, "faults")
    _offer(connection, typed.records, batch_id)
    _judge_and_blank(connection, typed, suite(how.kind), batch_id, today)
    _add_unparsed(connection, typed.faults, how.kind, batch_id)
    _add_broken(connection, pieces.about.broken, batch_id, typed.per_row)
    _not_missing(connection, typed.faults)
    cells.lost(connection)
    repeats = _refuse_contradictions(connection, how.kind)
    connection.execute(
        "create or replace temp table refused as "
        "select distinct record_no, source_row from faults where action = 'quarantine'"
    )
    # Of rows that say the same one without blanked cells comes first.
    first = "record_no in (select record_no from lost), record_no"
    counts = merge(connection, batch, batch_id, incoming="incoming", refused="refused", repeats=repeats, first=first)
    # A file read again under another mapping or other rules: its earlier refusals are void, and so are records that
    # only the other mapping made of it.
    withdraw(connection, batch, batch_id, "incoming", "refused")
    connection.execute(
        "delete from quarantine where batch_id in (select batch_id from batches "
        "where file_hash = ? and kind = ? and practice = ? and batch_id <> ? "
        "and (mapping_hash = ? or not list_contains(?, mapping_hash)))",
        [batch.file_hash, batch.kind, batch.practice, batch_id, batch.mapping_hash, list(batch.beside)],
    )
    settle(connection, pieces, how.kind)
    keep(connection, lambda rows: _shown(pieces, rows, how, batch, key), how, batch, typed.per_row)
    counts = replace(counts, blanked=cells.account(connection, how.kind, batch_id, typed.cells))
    connection.execute(
        f"""insert into flags
            select '{how.kind}', f.batch_id, f.record_no, f.source_row, f.rule, f.action, f.reason, f.columns, []
            from faults f join {how.kind} t using (batch_id, record_no) where f.action = 'warn'"""
    )
    connection.unregister("typed_records")
    return counts


def _read(pieces: Pieces, how: Recognised, batch: Batch, key: bytes, folder: Path | None) -> _Read:
    """The typed records of an export, read piece by piece where one row does not decide how another is read."""
    import polars as pl

    from pipeline.mapping.apply import Whole, by_pieces

    whole: Whole | None = Whole(how.kind, batch.source_file)
    while whole:
        records = Staged(folder)
        faults: list[pl.DataFrame] = []
        counts = dict.fromkeys(KINDS[how.kind].names, 0)
        per_row = 1
        try:
            for raw in pieces if by_pieces(how.mapping) else [pieces.whole()]:
                _, typed = typed_of(without_escapes(raw), how, batch, key, whole)
                records.add(_pseudonymised(_in_our_words(typed.records, how.kind), key))
                faults.append(typed.faults)
                counts = {name: many + typed.cells[name] for name, many in counts.items()}
                per_row = typed.per_row
            whole = whole.settle()
        except BaseException:
            records.close()
            raise
        if whole:
            records.close()
    return _Read(records, pl.concat(faults), per_row, counts)


def _shown(pieces: Pieces, source_rows: pl.Series, how: Recognised, batch: Batch, key: bytes) -> RawTable:
    """Some rows of the export as they may be kept: with pseudonyms for patients' numbers."""
    from pipeline.mapping.patients import hide

    return hide(without_escapes(pieces.only(source_rows)), how.kind, how.mapping, batch.practice, key).shown


def typed_of(
    raw: RawTable, how: Recognised, batch: Batch, key: bytes, whole: Whole | None = None
) -> tuple[Hidden, Typed]:
    """The records of an export, and the export as it may be kept: with pseudonyms for patients' numbers in both.

    `whole` where `raw` is a piece of it, see mapping.apply.
    """
    from pipeline.mapping.apply import apply
    from pipeline.mapping.patients import hide

    hidden = hide(raw, how.kind, how.mapping, batch.practice, key)
    typed = apply(
        hidden.read,
        how.kind,
        hidden.mapping,
        how.options,
        batch.practice,
        batch.time_zone,
        where=batch.source_file,
        whole=whole,
    )
    return hidden, replace(typed, faults=hidden.without_numbers(typed.faults))


def _offer(connection: Connection, records: Staged, batch_id: int) -> None:
    """Let DuckDB see the records as the relation `incoming`."""
    connection.register("typed_records", records.relation())
    connection.execute(
        f"create or replace temp view incoming as select {batch_id}::bigint as batch_id, * from typed_records"
    )


def _in_our_words(records: pl.DataFrame, kind: str) -> pl.DataFrame:
    """The records with words of a list as the list writes them: "Crown " is crown. What is no word of it stays."""
    import polars as pl

    from pipeline.mapping.parse import fold, folded

    changed = []
    for column, words in KINDS[kind].lists.items():
        found = records[column].drop_nulls().unique()
        other = found.filter(~found.is_in(words))
        if len(other):
            meant = other.to_frame("v").select(folded(pl.col("v")).replace({fold(word): word for word in words}))["v"]
            changed.append(pl.col(column).replace(other, meant).alias(column))
    return records.with_columns(changed)


def _judge_and_blank(
    connection: Connection, typed: _Read, rules: Sequence[Rule], batch_id: int, today: dt.date
) -> None:
    """Judge the records: by the rules that blank first, by the others as they are without the blanked cells.

    A rule judges one record. So all are asked at once, and only records that lost a cell are judged again.
    """
    import polars as pl

    judge(connection, "incoming", rules, "faults", today)
    connection.execute(
        'create or replace temp table blanked as select record_no, unnest(columns) as "column" from faults '
        "where action = 'blank'"
    )
    blanked = frame(connection, 'select distinct record_no, "column" from blanked')
    if not blanked.height:
        return
    cells_of = blanked.partition_by("column", as_dict=True).items()
    connection.unregister("typed_records")
    typed.records = typed.records.changed(
        lambda piece: piece.with_columns(
            pl.when(~pl.col("record_no").is_in(cells["record_no"].implode())).then(column).alias(column)
            for (column,), cells in cells_of
        )
    )
    _offer(connection, typed.records, batch_id)
    touched = "record_no in (select record_no from blanked)"
    connection.execute(f"delete from faults where action <> 'blank' and {touched}")
    connection.execute(f"create or replace temp view touched as select * from incoming where {touched}")
    judge(connection, "touched", [rule for rule in rules if rule.action != "blank"], "faults", today)


def _pseudonymised(records: pl.DataFrame, key: bytes) -> pl.DataFrame:
    """The records with every patient id a pseudonym: also where it comes from no cell but a mapping's default."""
    import polars as pl

    if "patient_id" not in records.columns:
        return records
    patients = records.select("practice", "patient_id").unique().drop_nulls()
    known = patients.with_columns(pl.Series("pseudonym", pseudonyms(patients.iter_rows(), key), dtype=pl.String))
    return (
        records.join(known, on=["practice", "patient_id"], how="left", maintain_order="left")
        .with_columns(patient_id="pseudonym")
        .drop("pseudonym")
    )


def _add_unparsed(connection: Connection, faults: pl.DataFrame, kind: str, batch_id: int) -> None:
    """What does not parse is a blanked cell, but where the column is required, or the row no record at all."""
    if faults.height:
        connection.register("unparsed", faults)
        optional = [column.name for column in KINDS[kind].columns if not column.required]
        connection.execute(
            f"""insert into faults select {batch_id}, record_no, source_row, rule, reason, ["column"],
                if(rule = 'value_does_not_parse' and list_contains(?, "column"), 'blank', 'quarantine')
                from unparsed""",
            [optional],
        )
        connection.unregister("unparsed")


def _not_missing(connection: Connection, unparsed: pl.DataFrame) -> None:
    """Of a refused record, what stands in the export but does not parse is not said to be missing as well."""
    if unparsed.height:
        connection.register("unparsed", unparsed)
        connection.execute(
            """delete from faults where action = 'quarantine' and rule like '%incomplete' and list_has_all(
                   (select list(u."column") from unparsed as u where u.record_no = faults.record_no),
                   string_split(regexp_extract(reason, 'Found: (.*)[.]$', 1), ', '))"""
        )
        connection.unregister("unparsed")


def _add_broken(connection: Connection, broken: tuple[Broken, ...], batch_id: int, per_row: int) -> None:
    if broken:
        import polars as pl

        rows = pl.DataFrame(
            [(first_record(b.source_row, per_row), b.source_row, b.rule, b.reason) for b in broken],
            schema=["record_no", "source_row", "rule", "reason"],
            orient="row",
        )
        connection.register("broken", rows)
        connection.execute(
            f"insert into faults select {batch_id}, record_no, source_row, rule, reason, [], 'quarantine' from broken"
        )
        connection.unregister("broken")


def _but_for_blanked(column: str, keys: str) -> str:
    """SQL of a column in which a blanked cell holds what another row of its key says there."""
    blank = f"""record_no in (select record_no from lost where "column" = '{column}')"""
    others = f'any_value(case when not ({blank}) then "{column}" end) over (partition by {keys})'
    return f'case when {blank} then {others} else "{column}" end as "{column}"'


def _refuse_contradictions(connection: Connection, kind: str) -> bool:
    """Refuse sound rows of one file that share a key but say different things: which is right is not to be told.

    A blanked cell says nothing. Says whether any sound rows share a key at all. Reads the relation `lost` as well.
    """
    keys = ", ".join(f'"{k}"' for k in ("practice", *KINDS[kind].key))
    blanked = {name for (name,) in connection.execute('select distinct "column" from lost').fetchall()}
    columns = ", ".join(
        _but_for_blanked(c, keys) if c in blanked else f'"{c}"' for c in ("practice", *KINDS[kind].names)
    )
    refused = "select record_no from faults where action = 'quarantine'"
    any_refused = connection.execute(f"{refused} limit 1").fetchone() is not None
    sound = f"(select * from incoming where record_no not in ({refused}))" if any_refused else "incoming"
    total = connection.execute(
        f"select count(*), (select count(*) from (select distinct {keys} from {sound})) from {sound}"
    ).fetchone()
    assert total is not None
    if total[0] == total[1]:
        return False
    connection.execute(
        f"""insert into faults
            with different as (select distinct {columns} from {sound}),
                 contradicting as (select {keys} from different group by {keys} having count(*) > 1)
            select s.batch_id, s.record_no, s.source_row, 'key_repeated',
                   'Another row of this file has the same key and says something else; which is right cannot be told.',
                   {list(KINDS[kind].key)!r}, 'quarantine'
            from {sound} as s semi join contradicting using ({keys})"""
    )
    return True
