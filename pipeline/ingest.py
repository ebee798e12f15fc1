"""Import: exports in, records in the store, refused rows in quarantine, marks on what is doubtful.

One file is one batch is one transaction. Files are recognised before the first is loaded, so that a wrong file among
many leaves the store as it was.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.checks import across
from pipeline.checks.judge import create_faults, judge
from pipeline.checks.suites import fingerprint, suite
from pipeline.errors import UserError
from pipeline.mapping.model import FileOptions, Mapping, load_mapping
from pipeline.mapping.recognise import Recognised, recognise
from pipeline.settings import Settings
from pipeline.sources import read as sources
from pipeline.store.batches import Batch, Counts, merge, next_id, same_file_before
from pipeline.store.database import is_new, open_store
from pipeline.store.frames import frame
from pipeline.store.pseudonyms import load_key, pseudonyms
from pipeline.store.records import KINDS

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    from pipeline.sources.table import Broken, File, RawTable

    Connection = duckdb.DuckDBPyConnection


@dataclass(frozen=True)
class Imported:
    """What became of one file. `skipped`: the same file was imported before, and nothing was done."""

    file: str
    kind: str
    counts: Counts
    skipped: bool

    def as_json(self) -> dict[str, Any]:
        return {"file": self.file, "kind": self.kind, **vars(self.counts), "skipped": self.skipped}


def ingest(
    store: Path,
    paths: list[Path],
    settings: Settings,
    *,
    as_kind: str | None = None,
    mapping_file: Path | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Iterator[Imported]:
    """Import files and folders into the store at `store`, yielding the outcome of each file as it is committed."""
    mapping = load_mapping(mapping_file) if mapping_file else None
    if as_kind and as_kind not in KINDS:
        raise UserError(f"there is no record kind {as_kind}; the kinds are {', '.join(KINDS)}")
    recognised = [(file, how) for file in sources.expand(paths) for how in _recognise(file, as_kind, mapping)]
    # A store never comes to be without its key, and a file that is no store is not asked for one.
    key = load_key(store) if is_new(store) else None
    with open_store(store, write=True) as connection:
        key = key or load_key(store)
        changed = False
        try:
            for file, how in recognised:
                progress(f"{file.name}: {how.kind}")
                imported = _import_file(connection, file, how, settings, key)
                changed = changed or not imported.skipped
                yield imported
        finally:
            if changed:  # also when a later file failed: the earlier ones are in
                progress("rules across record kinds")
                across.refresh(connection, _today())


def undo(store: Path, batch: int, progress: Callable[[str], None] = lambda _: None) -> list[str]:
    """Take a batch out of the store at `store`; gives the files that must be imported again (see store.undo)."""
    from pipeline.store.undo import undo as take_out

    if is_new(store):
        raise UserError("there is no store here", where=str(store), do="Import something first: canalwise ingest PATH")
    with open_store(store, write=True) as connection:
        connection.begin()
        try:
            again = take_out(connection, batch)
            connection.commit()
        except BaseException:
            _roll_back(connection)
            raise
        progress("rules across record kinds")
        across.refresh(connection, _today())
    return again


def _today() -> dt.date:
    return dt.date.today()


def _recognise(file: File, as_kind: str | None, mapping: Mapping | None) -> list[Recognised]:
    """What a file holds: one kind, or as many as a mapping names sheets of this workbook for."""
    if mapping is None:
        return [_by_own_header(file, as_kind)]
    dialect = mapping.file.dialect
    there = sources.sheets(file)
    named = {name: kind for name, kind in mapping.kinds.items() if kind.sheet and as_kind in (None, name)}
    if there and named:
        found = {name: kind for name, kind in named.items() if kind.sheet in there}
        if not found:
            wanted = ", ".join(str(kind.sheet) for kind in named.values())
            raise UserError(
                f"has no sheet of the mapping ({wanted}); it has {', '.join(there)}",
                where=str(file),
                do="Mend the mapping",
            )
        return [
            recognise(
                sources.header(file, dialect, kind.sheet),
                f"{file}, sheet {kind.sheet}",
                as_kind=name,
                mapping=mapping.model_copy(update={"kinds": {name: kind}}),
            )
            for name, kind in found.items()
        ]
    return [recognise(sources.header(file, dialect), str(file), as_kind=as_kind, mapping=mapping)]


def _by_own_header(file: File, as_kind: str | None) -> Recognised:
    """A file with our headers. What parts its cells is told by the header: no other sign makes it one of ours."""
    from pipeline.sources.table import Dialect

    first: UserError | None = None
    for delimiter in sources.DELIMITERS if sources.is_text(file) else (",",):
        try:
            header = sources.header(file, Dialect(delimiter=delimiter))
            found = recognise(header, str(file), as_kind=as_kind, mapping=None)
            return replace(found, options=FileOptions(delimiter=delimiter))
        except UserError as e:
            first = first or e
    assert first is not None
    raise first


def _import_file(connection: Connection, file: File, how: Recognised, settings: Settings, key: bytes) -> Imported:
    data = file.read_bytes()
    mapping_hash = hashlib.sha256((how.mapping.model_dump_json() + how.options.model_dump_json()).encode()).hexdigest()
    batch = Batch(
        source_file=file.name,
        kind=how.kind,
        practice=settings.practice,
        time_zone=settings.time_zone,
        file_hash=hashlib.sha256(data).hexdigest(),
        file_bytes=len(data),
        mapping_hash=mapping_hash[:16],
        rules_hash=fingerprint(how.kind),
    )
    before = same_file_before(connection, batch)
    if before:
        return Imported(file.name, how.kind, before, skipped=True)
    raw = sources.read(file, how.options.dialect, how.mapping.sheet)
    connection.begin()
    try:
        counts = _write(connection, raw, how, batch, key)
        connection.commit()
    except BaseException:
        _roll_back(connection)
        raise
    return Imported(file.name, how.kind, counts, skipped=False)


def _roll_back(connection: Connection) -> None:
    import contextlib

    import duckdb

    with contextlib.suppress(duckdb.Error):  # a failed commit (disk full) has ended the transaction already
        connection.rollback()


def _write(connection: Connection, raw: RawTable, how: Recognised, batch: Batch, key: bytes) -> Counts:
    from pipeline.mapping.apply import apply

    typed = apply(raw, how.kind, how.mapping, how.options, batch.practice)
    records = _pseudonymised(typed.records, key)
    batch_id = next_id(connection)
    create_faults(connection, "faults")
    connection.register("typed_records", records.to_arrow())
    connection.execute(
        f"create or replace temp view incoming as select {batch_id}::bigint as batch_id, * from typed_records"
    )
    _add_unparsed(connection, typed.faults, batch_id)
    _add_broken(connection, raw.broken, batch_id)
    judge(connection, "incoming", suite(how.kind), "faults", _today())
    repeats = _refuse_contradictions(connection, how.kind)
    connection.execute(
        "create or replace temp table refused as select distinct source_row from faults where action = 'quarantine'"
    )
    counts = merge(connection, batch, batch_id, incoming="incoming", refused="refused", repeats=repeats)
    # A file read again under another mapping or other rules: its earlier refusals are void.
    connection.execute(
        "delete from quarantine where batch_id in "
        "(select batch_id from batches where file_hash = ? and kind = ? and practice = ? and batch_id <> ?)",
        [batch.file_hash, batch.kind, batch.practice, batch_id],
    )
    # A record of this key is in the store now: an earlier refusal of it, in whatever file, is settled.
    if connection.execute("select 1 from quarantine where kind = ? limit 1", [how.kind]).fetchone():
        connection.execute(
            f"delete from quarantine where kind = ? and key in (select {_key(how.kind, 'i')} from incoming as i "
            "where i.source_row not in (select source_row from refused))",
            [how.kind],
        )
    if counts.quarantined:
        _quarantine(connection, raw, how, batch, batch_id, key)
    connection.unregister("typed_records")
    connection.execute(
        f"""insert into flags
            select '{how.kind}', f.batch_id, f.source_row, f.rule, f.action, f.reason, f.columns, []
            from faults f join {how.kind} t using (batch_id, source_row)"""
    )
    return counts


def _pseudonymised(records: pl.DataFrame, key: bytes) -> pl.DataFrame:
    """The records with every patient id replaced by its keyed pseudonym."""
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


def _add_unparsed(connection: Connection, faults: pl.DataFrame, batch_id: int) -> None:
    if faults.height:
        connection.register("unparsed", faults)
        connection.execute(
            f"insert into faults select {batch_id}, source_row, rule, reason, [\"column\"], 'quarantine' from unparsed"
        )
        connection.unregister("unparsed")


def _add_broken(connection: Connection, broken: tuple[Broken, ...], batch_id: int) -> None:
    if broken:
        import polars as pl

        rows = pl.DataFrame(
            [(b.source_row, b.rule, b.reason) for b in broken], schema=["source_row", "rule", "reason"], orient="row"
        )
        connection.register("broken", rows)
        connection.execute(
            f"insert into faults select {batch_id}, source_row, rule, reason, [], 'quarantine' from broken"
        )
        connection.unregister("broken")


def _refuse_contradictions(connection: Connection, kind: str) -> bool:
    """Refuse sound rows of one file that share a key but say different things: which is right is not to be told.

    Says whether any sound rows share a key at all.
    """
    keys = ", ".join(f'"{k}"' for k in ("practice", *KINDS[kind].key))
    columns = ", ".join(f'"{c}"' for c in ("practice", *KINDS[kind].names))
    refused = "select source_row from faults where action = 'quarantine'"
    any_refused = connection.execute(f"{refused} limit 1").fetchone() is not None
    sound = f"(select * from incoming where source_row not in ({refused}))" if any_refused else "incoming"
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
            select s.batch_id, s.source_row, 'key_repeated',
                   'Another row of this file has the same key and says something else; which is right cannot be told.',
                   {list(KINDS[kind].key)!r}, 'quarantine'
            from {sound} as s semi join contradicting using ({keys})"""
    )
    return True


def _key(kind: str, alias: str) -> str:
    """A record's key as one text, NULL while any part of it is missing."""
    return " || chr(31) || ".join(f'{alias}."{column}"' for column in ("practice", *KINDS[kind].key))


def _quarantine(
    connection: Connection, raw: RawTable, how: Recognised, batch: Batch, batch_id: int, key: bytes
) -> None:
    """Keep refused rows with their reasons and what is needed to mend them: mapped cells only, pseudonyms for ids."""
    import polars as pl

    refused = frame(connection, "select source_row from refused")
    cell = {name: f"c{raw.header.index(name)}" for name in how.mapping.sources}
    rows = raw.rows.join(refused, on="source_row", how="semi").select(
        "source_row", *(pl.col(c).alias(name) for name, c in cell.items())
    )
    patient, practice = how.mapping.columns.get("patient_id"), how.mapping.columns.get("practice")
    if patient:
        # Keyed by the practice of the row, as the record's own pseudonym is: a mended row must meet the others again.
        practices = rows[practice.source].to_list() if practice else [""] * rows.height
        pairs = [
            (p.strip() or batch.practice, id_.strip()) for p, id_ in zip(practices, rows[patient.source], strict=True)
        ]
        masked = [pseudonym if id_ else "" for pseudonym, (_, id_) in zip(pseudonyms(pairs, key), pairs, strict=True)]
        rows = rows.with_columns(pl.Series(patient.source, masked, dtype=pl.String))
    texts = [(row.pop("source_row"), json.dumps(row, ensure_ascii=False)) for row in rows.iter_rows(named=True)]
    texts += [(b.source_row, _broken_text(b, raw, how)) for b in raw.broken]
    kept = pl.DataFrame(texts, schema={"source_row": pl.Int64, "record": pl.String}, orient="row")
    connection.register("refused_texts", kept)
    connection.execute(
        f"""insert into quarantine
           select any_value(f.batch_id), $kind, $file, f.source_row, any_value({_key(how.kind, "i")}),
                  list(f.rule order by f.rule), list(f.reason order by f.rule),
                  list_distinct(flatten(list(f.columns))), any_value(t.record)
           from faults f join refused_texts t using (source_row) left join incoming i using (source_row)
           where f.action = 'quarantine' group by f.source_row order by f.source_row""",
        {"kind": how.kind, "file": batch.source_file},
    )
    connection.unregister("refused_texts")


def _broken_text(broken: Broken, raw: RawTable, how: Recognised) -> str:
    """What is kept of a record that cannot be told into cells.

    Its cells may be shifted against the header by nobody knows how many, so nothing is kept where one of them may be a
    patient id, belong to an unmapped column, or stand beyond the header; the row number leads back to the export.
    """
    private = "patient_id" in how.mapping.columns or set(raw.header) - set(how.mapping.sources)
    beyond = broken.raw.count(how.options.delimiter) >= len(raw.header)
    return "" if private or beyond else broken.raw
