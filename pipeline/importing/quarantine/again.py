"""Reading refused rows again, and those with blanked cells: under today's rules, by the mapping that they were read by
or by a mended one.

What is kept of such a row are its mapped cells, so it can be read again as often as need be. Rows that pass, or of
which fewer cells are left empty, go into the store as a batch of their own (a record supersedes the one without its
cells) and leave the quarantine, but for cells that are still empty; the others stay where they are, with today's
reasons. A row keeps its file and number.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from pipeline.checks import across
from pipeline.checks.suites import all_rules
from pipeline.errors import UserError
from pipeline.importing.load import load, typed_of
from pipeline.importing.quarantine.how import How, as_read
from pipeline.importing.quarantine.kept import Origin, as_table, kept_rows, known_as, origins
from pipeline.importing.quarantine.listing import Wanted, check
from pipeline.mapping.model import Mapping, place
from pipeline.mapping.recognise import Recognised
from pipeline.records import KINDS
from pipeline.sources.table import RawTable
from pipeline.store.batches import Batch, Counts, today
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

_UNREADABLE = "not told into cells, to be mended in the export"
_LATER = "older than what the store holds of the same records"


@dataclass(frozen=True)
class Retried:
    """What became of the refused rows of one file: `counts` of their records; why others were not read again.

    `changed`: whether any record was written to the store.
    """

    file: str
    kind: str
    counts: Counts
    left: tuple[str, ...] = ()
    changed: bool = False

    def as_json(self) -> dict[str, Any]:
        return {"file": self.file, "kind": self.kind, **vars(self.counts), "left": list(self.left)}


def retry(
    connection: Connection,
    key: bytes,
    wanted: Wanted | None = None,
    mapping: Mapping | None = None,
    progress: Callable[[str], None] = lambda _: None,
    day: dt.date | None = None,
) -> Iterator[Retried]:
    """Read refused rows again, yielding the outcome of each batch they came from as it is committed.

    `key` makes pseudonyms; `day` is the one that dates are judged by, today unless it is given.
    A UserError where `mapping` can read none of them, as it needs columns that were not kept.
    """
    wanted = wanted or Wanted()
    check(connection, wanted)
    changed, read = False, False
    unread: list[str] = []
    try:
        for origin in origins(connection, wanted):
            how = mended(origin, mapping) if mapping else as_read(origin.batch.mapping)
            if isinstance(how, str):
                unread.append(f"{origin.batch.source_file}: {how}")
                continue
            progress(f"Reading {origin.batch.source_file}: {origin.batch.kind} ...")
            done = _again(connection, origin, how, wanted, key, day)
            read, changed = True, changed or done.changed
            yield done
    finally:
        if changed:  # also when a later batch failed: the earlier ones are in
            progress("Judging by the rules across record kinds ...")
            across.refresh(connection, today(connection), due_only=True)
    if unread and not read:
        raise UserError(unread[0], do="Import the file again: canalwise ingest --mapping FILE PATH")
    for why in unread:
        progress(f"Not read again: {why}.")


def retry_dated(
    connection: Connection, key: bytes, progress: Callable[[str], None] = lambda _: None, day: dt.date | None = None
) -> bool:
    """Judge rows again that a rule about today's date refused: what lay in the future may be past. Says whether any is
    in the store now; the caller renews the flags across kinds then.

    A row with other faults stays refused.
    """
    dated = tuple(rule.id for rule in all_rules().values() if "$today" in rule.judged)
    wanted = Wanted(rules=dated)
    done = [
        _again(connection, origin, as_read(origin.batch.mapping), wanted, key, day)
        for origin in origins(connection, wanted)
    ]
    many = sum(one.counts.loaded + one.counts.superseded for one in done if one.changed)
    if many:
        rows, are = ("1 record", "is") if many == 1 else (f"{many} records", "are")
        progress(f"{rows} refused, or left without a cell, for a date that lay in the future {are} in the store now.")
    return many > 0


def mended(origin: Origin, mapping: Mapping) -> How | str:
    """How the mended mapping reads the rows of a batch; or why it cannot."""
    tables = mapping.kinds.get(origin.batch.kind, ())
    if not tables:
        return f"the mapping says nothing of {origin.batch.kind}"
    lacking = [[s for s in table.sources if place(origin.header, s) is None] for table in tables]
    # The table that finds most of what it needs, and of those that find all the one that uses most.
    missing, table = min(zip(lacking, tables, strict=True), key=lambda one: (len(one[0]), -len(one[1].sources)))
    if origin.header and missing:
        many = len(missing) > 1
        return (
            f"the mapping needs the column{'s' if many else ''} {', '.join(missing)}, which "
            f"{'were' if many else 'was'} not kept of the refused rows"
        )
    if table.questions:
        asked = f"{len(table.questions)} question{'s' if len(table.questions) > 1 else ''}"
        return f"the mapping leaves {asked} of {origin.batch.kind} open"
    old = as_read(origin.batch.mapping)
    return How(table, mapping.file, old.typed_cells, old.sheet)


def _again(
    connection: Connection, origin: Origin, how: How, wanted: Wanted, key: bytes, day: dt.date | None
) -> Retried:
    """Read the wanted refused rows of a batch again."""
    import polars as pl

    kept = kept_rows(connection, origin.number, wanted)
    broken = kept.filter(pl.col("broken")).height
    left = [f"{_rows(broken)} {_UNREADABLE}"] if broken else []
    rows = kept.filter(~pl.col("broken"))
    counts, changed = Counts(0, 0, 0, 0, 0), False
    if rows.height:
        raw = as_table(rows, origin.header, how)
        recognised = Recognised(origin.batch.kind, how.table, how.options)
        batch = known_as(origin.batch, how, rows)
        try:
            later = _later(connection, raw, recognised, batch, origin.number, key)
            if later:
                left.append(f"{_rows(len(later))} {_LATER}")
                raw = replace(raw, rows=raw.rows.filter(~pl.col("source_row").is_in(later)))
            if raw.rows.height:
                counts, changed = _load(connection, raw, recognised, batch, origin.number, key, day)
        except UserError as e:  # too few rows to tell a notation or a date's format that nobody declared
            left.append(str(e))
    return Retried(origin.batch.source_file, origin.batch.kind, counts, tuple(left), changed)


def _rows(number: int) -> str:
    return f"{number} row{'' if number == 1 else 's'}"


def _later(connection: Connection, raw: RawTable, how: Recognised, batch: Batch, before: int, key: bytes) -> list[int]:
    """Rows of which a record is in the store from a batch after theirs: that is the newer, and must not be replaced."""
    _, typed = typed_of(raw, how, batch, key)
    keys = ("practice", *KINDS[how.kind].key)
    same = " and ".join(f'o."{k}" = n."{k}"' for k in keys)
    connection.register("read_again", typed.records.select("source_row", *keys).to_arrow())
    found = connection.execute(
        f"select distinct n.source_row from read_again n join {how.kind} o on {same} where o.batch_id > {before}"
    ).fetchall()
    connection.unregister("read_again")
    return [row for (row,) in found]


_OF_ROW = """count(*) filter (what = 'row') as rows{0},
    coalesce(sum(len(columns)) filter (what = 'cell'), 0) as cells{0} from quarantine"""


def _load(
    connection: Connection,
    raw: RawTable,
    how: Recognised,
    batch: Batch,
    before: int,
    key: bytes,
    day: dt.date | None,
) -> tuple[Counts, bool]:
    """Load the rows that pass now, or with fewer cells left empty; the others stay in the quarantine of the batch
    `before`, with today's reasons.

    Gives the counts of all, and whether any was loaded. They are tried first, in a transaction that is taken back: what
    a row comes to depends on the others.
    """
    import polars as pl

    day = day or dt.datetime.now(ZoneInfo(batch.time_zone)).date()
    connection.begin()
    try:
        counts = load(connection, raw, how, batch, key, today=day)
        this = "batch_id = (select max(batch_id) from batches)"
        refused = frame(connection, f"select record_no, rules, reasons, columns, what from quarantine where {this}")
        now = frame(connection, f"select source_row, {_OF_ROW.format('')} where {this} group by all")
    finally:
        _roll_back(connection)
    was = frame(connection, f"select source_row, {_OF_ROW.format('_before')} where batch_id = {before} group by all")
    rows, cells = pl.col("rows").fill_null(0), pl.col("cells").fill_null(0)
    fewer = was.join(now, on="source_row", how="left").filter(
        (rows < pl.col("rows_before")) | ((rows == pl.col("rows_before")) & (cells < pl.col("cells_before")))
    )
    passing = raw.rows.join(fewer.select("source_row"), on="source_row", how="semi")
    connection.begin()
    try:
        connection.register("still", refused.to_arrow())
        # Which cells of a record in the store are empty is what it was loaded with.
        connection.execute(
            f"""update quarantine as q set rules = s.rules, reasons = s.reasons, columns = s.columns
                from still as s where q.batch_id = {before} and q.record_no = s.record_no and q.what = s.what
                and (q.what = 'row' or q.columns = s.columns)"""
        )
        connection.unregister("still")
        if passing.height:
            connection.register("passing", passing.select("source_row").to_arrow())
            connection.execute(
                f"delete from quarantine where batch_id = {before} and source_row in (select source_row from passing)"
            )
            connection.unregister("passing")
            load(connection, replace(raw, rows=passing), how, batch, key, today=day)
        connection.commit()
    except BaseException:
        _roll_back(connection)
        raise
    return counts, passing.height > 0


def _roll_back(connection: Connection) -> None:
    import contextlib

    import duckdb

    with contextlib.suppress(duckdb.Error):  # a failed commit (disk full) has ended the transaction already
        connection.rollback()
