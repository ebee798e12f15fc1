"""Import: exports in, records in the store, refused rows in quarantine, marks on what is doubtful.

One file (of each kind in it) is one batch is one transaction. Files are recognised before the first is loaded, so that
a wrong file among many leaves the store as it was.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from pipeline.checks import across
from pipeline.checks.suites import fingerprint
from pipeline.errors import UserError
from pipeline.importing.load import load
from pipeline.importing.parts import LeftAlone, Part, parts_of
from pipeline.importing.quarantine.again import retry_dated
from pipeline.mapping.model import Mapping, load_mapping
from pipeline.records import KINDS
from pipeline.settings import Settings
from pipeline.sources import read as sources
from pipeline.sources.pool import Pool
from pipeline.sources.table import RawTable
from pipeline.sources.unread import LeftOut, nothing_read
from pipeline.store import kept_settings
from pipeline.store.batches import Batch, Counts, same_file_before, today
from pipeline.store.cells import misread
from pipeline.store.database import is_new
from pipeline.store.due import flags_due
from pipeline.store.identity import check_practice, key_of
from pipeline.store.pseudonyms import load_key

if TYPE_CHECKING:
    import duckdb

    from pipeline.sources.table import Aside

    Connection = duckdb.DuckDBPyConnection

LEAST_MEMORY = 60  # MB for DuckDB; with less it fails at work that cannot be spilled


@dataclass(frozen=True)
class Imported:
    """What became of one file. `skipped`: the same file was imported before, and nothing was done.

    `aside`: lines that were not meant as records (before the header, totals), with the reason; none of a skipped file.
    """

    file: str
    kind: str
    counts: Counts
    skipped: bool
    aside: tuple[Aside, ...] = ()
    misread: tuple[str, ...] = ()  # columns of which nearly every cell was left empty

    def as_json(self) -> dict[str, Any]:
        more: dict[str, Any] = {"aside": len(self.aside)} if self.aside else {}
        more |= {"misread": list(self.misread)} if self.misread else {}
        return {"file": self.file, "kind": self.kind, **vars(self.counts), **more, "skipped": self.skipped}


class OpenQuestionsError(UserError):
    """Files were not imported because the mapping leaves questions about them open; the others are in the store."""

    def __init__(self, mapping_file: Path, open_parts: list[Part]) -> None:
        found = {q.line: q for part in open_parts for q in part.how.mapping.questions}
        self.questions = [found[line] for line in sorted(found)]
        files = ", ".join(dict.fromkeys(f"{part.label} ({part.how.kind})" for part in open_parts))
        many = "1 question of the mapping is" if len(found) == 1 else f"{len(found)} questions of the mapping are"
        asked = "; ".join(f"(line {q.line}) {q.text}" for q in self.questions)
        super().__init__(
            f"{many} open, so {files} was not imported: {asked}",
            where=str(mapping_file),
            do="Mend the line below each question, delete the line that begins with #?, and import again",
        )


def ingest(
    store: Path,
    paths: list[Path],
    given: Settings | None = None,
    *,
    as_kind: str | None = None,
    mapping_file: Path | None = None,
    progress: Callable[[str], None] = lambda _: None,
    part: Callable[[float, float], None] = lambda done, whole: None,
    day: dt.date | None = None,
    leave_out: Callable[[LeftOut], None] | None = None,
    memory: str | None = None,
) -> Iterator[Imported]:
    """Import files and folders into the store at `store`, yielding the outcome of each file as it is committed.

    `given` are settings that the store keeps from now on; without them those that it has are used, else the defaults.
    `progress` is told in words what is being done, `part` how many bytes of how many are through. `day` is the one that
    dates are judged by, today at the practice unless it is given. A file that cannot be read does not keep the others
    out: `leave_out` is called with it. Without that it is a UserError at the end (but for files that nobody would try
    to read), and so it is where there are no others. `memory`, as 2GB, is the most that DuckDB takes; what does not fit
    is spilled beside the store, and gone afterwards.
    """
    mapping = load_mapping(mapping_file) if mapping_file else None
    if as_kind and as_kind not in KINDS:
        raise UserError(f"there is no record kind {as_kind}; the kinds are {', '.join(KINDS)}")
    with Pool() as pool:  # closes what it has open; until then a file is opened once and gives the same bytes
        parts, unclear, left = _recognised(paths, pool, as_kind, mapping, progress)
        if not parts:
            _tell(left, leave_out, anything=bool(unclear))
            assert mapping_file is not None
            raise OpenQuestionsError(mapping_file, unclear)
        if is_new(store):
            load_key(store)  # a store never comes to be without its key; a file that is no store is not asked for one
        anything = False
        with across.open_judged(store, write=True) as connection:
            if memory:
                _limit(connection, memory)
            key = key_of(connection, store)
            settings = _settings(connection, given, progress)
            try:
                for imported in _import_all(connection, key, settings, parts, left, progress, part, day):
                    anything = True
                    yield imported
                retry_dated(connection, key, progress, day)
            finally:
                if flags_due(connection):  # also when a later file failed: the earlier ones are in
                    progress("Judging by the rules across record kinds ...")
                    across.refresh(connection, day or today(connection), due_only=True)
        _tell(left, leave_out, anything=anything)
        if unclear:
            assert mapping_file is not None
            raise OpenQuestionsError(mapping_file, unclear)


def _recognised(
    paths: list[Path], pool: Pool, as_kind: str | None, mapping: Mapping | None, progress: Callable[[str], None]
) -> tuple[list[Part], list[Part], list[LeftOut]]:
    """The parts of all files to import, those of which the mapping leaves questions open, and files left out."""
    found = sources.find(paths, pool)
    parts: list[Part] = []
    unclear: list[Part] = []
    left = list(found.left)
    for file in found.files:
        source = sources.open_source(file, pool)
        try:
            there = list(parts_of(source, as_kind, mapping))
        except UserError as e:
            source.close()
            left.append(LeftOut(str(file), e))
            continue
        for one in there:
            if isinstance(one, LeftAlone):
                progress(f"Left alone: {one.label}: {one.reason}.")
            else:
                (unclear if one.how.mapping.questions else parts).append(one)
    return parts, unclear, left


def _import_all(
    connection: Connection,
    key: bytes,
    settings: Settings,
    parts: list[Part],
    left: list[LeftOut],
    progress: Callable[[str], None],
    part: Callable[[float, float], None],
    day: dt.date | None,
) -> Iterator[Imported]:
    """Import the parts one by one; those that cannot be read are added to `left`. Closes what it has read."""
    sizes = _bytes_of(parts)
    last = {one.source: number for number, one in enumerate(parts)}
    for number, (one, known_as) in enumerate(zip(parts, _known_as(parts), strict=True)):
        part(sum(sizes[:number]), sum(sizes))
        progress(f"Importing {one.label}: {one.how.kind} ...")
        for name in one.others_patients:
            progress(f"{one.label}: {name} is kept as a pseudonym, as the mapping makes patient ids of it.")
        try:
            imported = _import(connection, _batch(one, known_as, settings), one, key, day)
        except UserError as e:
            left.append(LeftOut(one.name, e))
            continue
        finally:
            if number == last[one.source]:
                one.source.close()
        yield imported
    part(sum(sizes), sum(sizes))


def _settings(connection: Connection, given: Settings | None, progress: Callable[[str], None]) -> Settings:
    """The settings to import with, which the store keeps where they were given."""
    found = kept_settings.used(connection, given)
    check_practice(connection, found.settings)
    if found.remark:
        progress(found.remark)
    if given is not None:
        kept_settings.keep(connection, given)
    return found.settings


def _limit(connection: Connection, memory: str) -> None:
    """Let DuckDB take no more memory than this."""
    found = re.fullmatch(r"(\d+(?:[.]\d+)?) ?([MG])i?B", memory.strip(), re.IGNORECASE)
    if not found:
        raise UserError(f"--memory {memory} is no size of memory", do="Write it as 2GB or 500MB")
    megabytes = float(found[1]) * (1000 if found[2].upper() == "G" else 1)
    if megabytes < LEAST_MEMORY:
        raise UserError(f"--memory {memory} is too little to import with", do=f"Give it {LEAST_MEMORY}MB or more")
    connection.execute("set memory_limit = ?", [f"{megabytes}MB"])


def _bytes_of(parts: list[Part]) -> list[float]:
    """How much of its source each part is, in bytes: those of one share it alike."""
    many = Counter(one.source for one in parts)
    return [one.source.size / many[one.source] for one in parts]


def undo(store: Path, batch: int, progress: Callable[[str], None] = lambda _: None) -> list[str]:
    """Take a batch out of the store at `store`; gives the files that must be imported again (see store.undo)."""
    from pipeline.importing.undo import undo as take_out

    if is_new(store):
        raise UserError("there is no store here", where=str(store), do="Import something first: canalwise ingest PATH")
    with across.open_judged(store, write=True) as connection:
        connection.begin()
        try:
            again = take_out(connection, batch)
            connection.commit()
        except BaseException:
            _roll_back(connection)
            raise
        progress("Judging by the rules across record kinds ...")
        across.refresh(connection, today(connection), due_only=True)
    return again


def _tell(left: list[LeftOut], leave_out: Callable[[LeftOut], None] | None, *, anything: bool) -> None:
    """Say which files were left out; a UserError where that is all there is to say, or nobody listens."""
    left = list({str(one.error): one for one in left}.values())  # a file of several kinds is told once
    if anything and leave_out is None:
        left = [one for one in left if not one.by_name]
    if left and (leave_out is None or not anything):
        raise nothing_read(left)
    for one in left if leave_out else []:
        assert leave_out is not None
        leave_out(one)


# How a part was read, as JSON, its hash, and those of all parts of its kind in the same file.
_KnownAs = tuple[str, str, tuple[str, ...]]


def _known_as(parts: list[Part]) -> list[_KnownAs]:
    how = [json.dumps(_as_read(part)) for part in parts]
    hashes = [hashlib.sha256(text.encode()).hexdigest()[:16] for text in how]
    together: dict[tuple[str, str], tuple[str, ...]] = {}
    for part, own in zip(parts, hashes, strict=True):
        same = (str(part.source), part.how.kind)
        together[same] = (*together.get(same, ()), own)
    return [
        (mapping, own, together[str(part.source), part.how.kind])
        for part, mapping, own in zip(parts, how, hashes, strict=True)
    ]


def _batch(part: Part, known_as: _KnownAs, settings: Settings) -> Batch:
    mapping, mapping_hash, beside = known_as
    return Batch(
        source_file=part.label,
        kind=part.how.kind,
        practice=settings.id,
        time_zone=settings.time_zone,
        file_hash=part.source.sha256,
        file_bytes=part.source.size,
        mapping=mapping,
        mapping_hash=mapping_hash,
        rules_hash=fingerprint(part.how.kind),
        beside=beside,
    )


def _as_read(part: Part) -> dict[str, Any]:
    """How a part was read: what a batch keeps, so that its refused rows can be read again."""
    return {
        "kind": part.how.mapping.model_dump(mode="json", by_alias=True),
        "file": part.how.options.model_dump(mode="json"),
        "typed_cells": not part.source.is_text,
        "sheet": part.table.sheet,
    }


def _import(connection: Connection, batch: Batch, part: Part, key: bytes, day: dt.date | None) -> Imported:
    before = same_file_before(connection, batch)
    if before:
        return Imported(part.label, batch.kind, before, skipped=True, misread=tuple(misread(connection, batch)))
    raw = part.table.pieces()
    connection.begin()
    try:
        day = day or dt.datetime.now(ZoneInfo(batch.time_zone)).date()
        counts = load(connection, raw, part.how, batch, key, today=day)
        connection.commit()
    except BaseException:
        _roll_back(connection)
        raise
    about = raw if isinstance(raw, RawTable) else raw.about
    unread = tuple(misread(connection, batch)) if counts.blanked else ()
    return Imported(part.label, batch.kind, counts, skipped=False, aside=about.aside, misread=unread)


def _roll_back(connection: Connection) -> None:
    import contextlib

    import duckdb

    with contextlib.suppress(duckdb.Error):  # a failed commit (disk full) has ended the transaction already
        connection.rollback()
