"""The store as it was known earlier: for one connection, what later imports added or replaced is turned back.

Nothing is written to the store. Temporary views of the tables' own names stand in front of them, so that whatever reads
unqualified names (facts, measures, rules) sees the earlier state without knowing it.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from pipeline.errors import UserError
from pipeline.records import KINDS, PROVENANCE, Kind

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


class Import(NamedTuple):
    """What a reader takes for one import: all batches that were loaded on one day at the practice.

    `before` is the moment just before the first of them, in UTC; `batches` are their ids in order.
    """

    day: dt.date
    before: dt.datetime
    batches: tuple[int, ...]


def known_on(connection: Connection, moment: dt.datetime) -> None:
    """Turn the connection's view of the store back to `moment` (without a time zone it is in UTC).

    Known are the batches before the first one that was loaded after `moment`: records of later ones are out, and what
    they replaced is back, of several versions the one that was current then. History and books are turned back alike.
    Not turned back, as the store keeps no trace of it: batches that were undone are as if they had never been; refusals
    and blanked cells that a later import settled are not told again; warnings on records that were replaced are not
    told again. Flags of rules across kinds are those of the present until they are judged anew
    (`checks.across.refresh` then writes to the connection's own table of flags). UserError where nothing was imported
    by then.
    """
    known_now(connection)
    store = _store(connection)
    last = _last_known(connection, moment)
    for kind in KINDS.values():
        columns = ", ".join(f'"{c}"' for c in (*kind.names, *PROVENANCE))
        _view(
            connection,
            kind.name,
            f"""select {columns} from {store}.{kind.name} where batch_id <= {last} union all
                select {columns} from {store}.{kind.name}_history where batch_id <= {last} and replaced_by > {last}""",
        )
        _view(
            connection,
            f"{kind.name}_history",
            f"select * from {store}.{kind.name}_history where batch_id <= {last} and replaced_by <= {last}",
        )
    for book in _BOOKS:
        _view(connection, book, f"select * from {store}.{book} where batch_id <= {last}")
    # A table, so that flags can be judged anew on what was known.
    connection.execute(f"create temp table {_FLAGS} as select * from {store}.{_FLAGS} where batch_id <= {last}")
    connection.execute(f"create temp table {_DUE} as select * from {store}.{_DUE}")


def known_now(connection: Connection) -> None:
    """Give the connection its view of the present store back. Facts made before are not made anew."""
    found = connection.execute(
        "select view_name from duckdb_views() where temporary and list_contains(?, view_name)", [_SHADOWED]
    ).fetchall()
    for (name,) in found:
        connection.execute(f"drop view temp.{name}")
    for table in (_FLAGS, _DUE):
        connection.execute(f"drop table if exists temp.{table}")


def latest_import(connection: Connection, time_zone: str) -> Import | None:
    """The import of the latest day on which something was loaded, replaced or refused; None when there is none.

    Days are those of `time_zone`, the practice's.
    """
    found = connection.execute(
        "select loaded_at from batches where loaded + superseded + quarantined > 0 order by batch_id desc limit 1"
    ).fetchone()
    if found is None:
        return None
    day = _local(found[0], time_zone).date()
    batches = connection.execute("select batch_id, loaded_at from batches order by batch_id").fetchall()
    of_day = [(batch, at) for batch, at in batches if _local(at, time_zone).date() == day]
    first = min(at for _, at in of_day).replace(tzinfo=dt.UTC)
    return Import(day, first - dt.timedelta(microseconds=1), tuple(batch for batch, _ in of_day))


def last_import(connection: Connection, time_zone: str) -> Import | None:
    """The latest import, to be held against what was known before it; None where the store held no record before."""
    latest = latest_import(connection, time_zone)
    if latest is None:
        return None
    before = connection.execute(
        "select 1 from batches where batch_id < ? and loaded + superseded > 0 limit 1", [latest.batches[0]]
    ).fetchone()
    return latest if before else None


def end_of(day: dt.date, time_zone: str) -> dt.datetime:
    """The last moment of a day in a time zone, in UTC."""
    try:
        # Where clocks are put back at midnight the last hour comes twice; the second is meant (fold).
        return dt.datetime.combine(day, dt.time.max.replace(fold=1), ZoneInfo(time_zone)).astimezone(dt.UTC)
    except OverflowError:  # the first or last day of the calendar: no import is anywhere near
        return dt.datetime.combine(day, dt.time.max, dt.UTC)


def last_day(connection: Connection) -> dt.date:
    """The day at the practice of the last batch that the connection knows of. UserError when there is none."""
    found = connection.execute("select loaded_at, time_zone from batches order by batch_id desc limit 1").fetchone()
    if found is None:
        raise UserError("nothing was imported into this store yet", do="Import something first: canalwise ingest PATH")
    return _local(*found).date()


def changes_sql() -> str:
    """SQL of every change of a column by a replacement, one row a replaced version of a record and changed column.

    record_kind; record (practice and key, as one text); batch_id and source_file of what replaced it; changed_column.
    Values are not told. A version that differs in nothing from the one after it (the batch between them was undone) has
    no row.
    """
    return " union all ".join(map(_changes_sql, KINDS.values()))


_FLAGS, _DUE = "flags", "due"
_BOOKS = ("batches", "quarantine", "cells")
_SHADOWED = [*KINDS, *(f"{kind}_history" for kind in KINDS), *_BOOKS]


def _changes_sql(kind: Kind) -> str:
    keys = ("practice", *kind.key)
    record = " || chr(31) || ".join(f'h."{k}"' for k in keys)
    same = " and ".join(f'n."{k}" = h."{k}"' for k in keys)
    columns = ", ".join(f'"{c}"' for c in (*kind.names, *PROVENANCE))
    changed = ", ".join(
        f'case when h."{c}" is distinct from n."{c}" then \'{c}\' end' for c in kind.names if c not in kind.key
    )
    # A batch holds one version of a key: the one that replaced h is the one of the batch that replaced it, which is
    # current or history itself by now.
    return f"""
        select * from (
            select '{kind.name}' as record_kind, {record} as record, n.batch_id, n.source_file,
                   unnest([{changed}]) as changed_column
            from {kind.name}_history as h
            join (select {columns} from {kind.name} union all select {columns} from {kind.name}_history) as n
            on n.batch_id = h.replaced_by and {same})
        where changed_column is not null"""


def _last_known(connection: Connection, moment: dt.datetime) -> int:
    """The last batch before the first one that was loaded after `moment`. Batches are numbered in their order: should
    the clock have been wrong once, the order of batches still is what replaced what."""
    at = moment.astimezone(dt.UTC).replace(tzinfo=None) if moment.tzinfo else moment
    found = connection.execute(
        """select max(batch_id) from batches
           where batch_id < coalesce((select min(batch_id) from batches where loaded_at > $at), 9223372036854775807)""",
        {"at": at},
    ).fetchone()
    if found is not None and found[0] is not None:
        return int(found[0])
    first = connection.execute("select loaded_at, time_zone from batches order by batch_id limit 1").fetchone()
    if first is None:
        raise UserError("nothing was imported into this store yet", do="Import something first: canalwise ingest PATH")
    raise UserError(f"nothing was imported by then: the first import was on {_local(*first).date()}")


def _store(connection: Connection) -> str:
    """The store's own schema: `main` alone would find the temporary views as well."""
    found = connection.execute("select current_database()").fetchone()
    assert found is not None
    return '"' + str(found[0]).replace('"', '""') + '".main'


def _view(connection: Connection, name: str, sql: str) -> None:
    connection.execute(f"create temp view {name} as {sql}")


def _local(at: dt.datetime, time_zone: str) -> dt.datetime:
    """A moment of the store's books (UTC, without a time zone) at the practice."""
    return at.replace(tzinfo=dt.UTC).astimezone(ZoneInfo(time_zone))
