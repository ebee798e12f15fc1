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
from zoneinfo import ZoneInfo

from pipeline.checks import across
from pipeline.checks.suites import fingerprint
from pipeline.errors import UserError
from pipeline.load import load
from pipeline.mapping.model import FileOptions, Mapping, load_mapping
from pipeline.mapping.recognise import Recognised, recognise
from pipeline.settings import Settings
from pipeline.sources import read as sources
from pipeline.store.batches import Batch, Counts, same_file_before, today
from pipeline.store.database import is_new, open_store
from pipeline.store.pseudonyms import load_key
from pipeline.store.records import KINDS

if TYPE_CHECKING:
    import duckdb

    from pipeline.sources.table import File

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
                across.refresh(connection, today(connection))


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
        across.refresh(connection, today(connection))
    return again


def _recognise(file: File, as_kind: str | None, mapping: Mapping | None) -> list[Recognised]:
    """What a file holds: one kind, or as many as a mapping names sheets of this workbook for."""
    if mapping is None:
        return _by_header(file, as_kind, None)
    dialect = mapping.file.dialect
    there = sources.sheets(file)
    named = [
        (name, table)
        for name, tables in mapping.kinds.items()
        for table in tables
        if table.sheet and as_kind in (None, name)
    ]
    if there and named:
        found = [(name, table) for name, table in named if table.sheet in there]
        if not found:
            wanted = ", ".join(str(table.sheet) for _, table in named)
            raise UserError(
                f"has no sheet of the mapping ({wanted}); it has {', '.join(there)}",
                where=str(file),
                do="Mend the mapping",
            )
        return [
            how
            for name, table in found
            for how in recognise(
                sources.header(file, dialect, table.sheet),
                f"{file}, sheet {table.sheet}",
                name=file.name,
                as_kind=name,
                mapping=mapping.model_copy(update={"kinds": {name: (table,)}}),
            )
        ]
    return _by_header(file, as_kind, mapping)


def _by_header(file: File, as_kind: str | None, mapping: Mapping | None) -> list[Recognised]:
    """What a file holds by its header. That tells what parts its cells: no other sign makes it a header we know."""
    options = mapping.file if mapping else FileOptions()
    first: UserError | None = None
    undeclared = sources.is_text(file) and options.delimiter is None
    for delimiter in sources.DELIMITERS if undeclared else (options.delimiter or ",",):
        dialect = replace(options.dialect, delimiter=delimiter)
        try:
            header = sources.header(file, dialect)
            found = recognise(header, str(file), name=file.name, as_kind=as_kind, mapping=mapping)
            return [replace(how, options=how.options.model_copy(update={"delimiter": delimiter})) for how in found]
        except UserError as e:
            first = first or e
    assert first is not None
    raise first


def _import_file(connection: Connection, file: File, how: Recognised, settings: Settings, key: bytes) -> Imported:
    data = file.read_bytes()
    mapping = json.dumps(
        {
            "kind": how.mapping.model_dump(mode="json", by_alias=True),
            "file": how.options.model_dump(mode="json"),
            "typed_cells": not sources.is_text(file),
        }
    )
    batch = Batch(
        source_file=file.name,
        kind=how.kind,
        practice=settings.practice,
        time_zone=settings.time_zone,
        file_hash=hashlib.sha256(data).hexdigest(),
        file_bytes=len(data),
        mapping=mapping,
        mapping_hash=hashlib.sha256(mapping.encode()).hexdigest()[:16],
        rules_hash=fingerprint(how.kind),
    )
    before = same_file_before(connection, batch)
    if before:
        return Imported(file.name, how.kind, before, skipped=True)
    raw = sources.read(file, how.options.dialect, how.mapping.sheet)
    connection.begin()
    try:
        counts = load(connection, raw, how, batch, key, today=dt.datetime.now(ZoneInfo(settings.time_zone)).date())
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
