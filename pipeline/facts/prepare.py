"""Facts: one wide row per visit, canal, use, instrument, tooth, with everything that measures count and group by.

Each *.sql beside this file makes one table of its own name. They are made in the order in which they need each other,
which is read off the SQL itself: there is no list to keep. What the practice's settings say (its sequence catalogue,
its standards) stands beside them as tables of their own, so that SQL can hold records against it; so does what the last
import was and what replacements changed.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Iterable
from functools import cache
from graphlib import TopologicalSorter
from importlib.resources import files
from string import Template
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from pipeline.facts import kept, renewed
from pipeline.records import KINDS
from pipeline.settings import Settings
from pipeline.store.known import changes_sql, latest_import

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


@cache
def texts() -> dict[str, str]:
    """The SQL of every table of facts, in the order in which they can be made."""
    found = {
        path.name.removesuffix(".sql"): path.read_text(encoding="utf-8")
        for path in files("pipeline.facts").iterdir()
        if path.name.endswith(".sql")
    }
    needs = {name: reads(sql) & (found.keys() - {name}) for name, sql in found.items()}
    return {name: found[name] for name in TopologicalSorter(needs).static_order()}


def reads(sql: str) -> set[str]:
    """The words of an SQL text, comments left out: which tables it can possibly read."""
    return set(re.findall(r"\w+", re.sub(r"--.*", "", sql)))


def prepare(connection: Connection, settings: Settings, as_of: dt.date) -> None:
    """Get a connection ready for facts with follow-up as known on `as_of`; `make` makes those that are asked for."""
    for name, kind in _there(connection).items():
        if name in texts():
            connection.execute(f"drop {kind} temp.{name}")
    # Flags of a record as one text of rule ids between spaces, so that a row of facts can gather those of several.
    connection.execute(
        """create or replace temp table record_flags as
           select kind, batch_id, record_no, ' ' || string_agg(distinct rule, ' ') || ' ' as rules
           from flags where len(spoils) > 0 group by kind, batch_id, record_no"""
    )
    _settings_tables(connection, settings, as_of)
    _clock_table(connection, settings.time_zone)
    _import_tables(connection, settings.time_zone)


def make(connection: Connection, names: Iterable[str], *, empty: bool = False) -> None:
    """Make tables of facts (and what they are made from) as temporary tables, unless they are there already.

    Of a large store they are kept beside it (kept.py), and a table that is kept needs none of those that it was made
    from. `empty` leaves out their rows, where only their columns are asked for.
    """
    found = connection.execute("select settings_json, as_of from settings_used").fetchone()
    there = _there(connection)
    names = [name for name in names if name not in there]
    if not names:
        return
    assert found is not None
    settings = Settings.model_validate_json(found[0])
    from_months, to_months = settings.reporting.recall_window_months
    compare_from, compare_to = settings.reporting.comparison_window_months
    values = {
        "healed_after_months": settings.reporting.healed_after_months,
        "recall_from_months": from_months,
        "recall_to_months": to_months,
        "compare_from_months": compare_from,
        "compare_to_months": compare_to,
        "sterilisation_cost": settings.sterilisation_cost,
    }
    as_of = found[1].isoformat()
    queries, same = (
        {name: Template(sql).substitute(values, as_of=day) for name, sql in texts().items()} for day in (as_of, "")
    )
    # Views of an earlier state of the store stand in front of it: facts of that are nobody else's.
    earlier = any(kind == "view" and name in KINDS for name, kind in there.items())
    keys = {}
    if not empty and not earlier and kept.open_file(connection):
        keys = kept.keys(queries, _reads(), _given(settings), same, as_of)

    def made(name: str) -> None:
        if name in there:
            return
        there[name] = "made"
        if keys and kept.kept(connection, name, keys[name]):
            return
        for other in _reads()[name] & queries.keys():
            made(other)
        if not (keys and kept.keep(connection, name, keys[name], queries[name])):
            rows = f"from (\n{queries[name]}\n) limit 0" if empty else queries[name]
            connection.execute(f"create temp table {name} as {rows}")

    if keys:
        renewed.renew(
            connection,
            renewed.Facts(queries, _reads(), keys, {name: str(value) for name, value in values.items()}, as_of),
            lambda other: prepare(other, settings, found[1]),
            made,
        )
    for name in names:
        made(name)


@cache
def _reads() -> dict[str, set[str]]:
    """The words of each table's SQL, but its own name."""
    return {name: reads(sql) - {name} for name, sql in texts().items()}


def _given(settings: Settings) -> dict[str, str]:
    """What tables hold that are made of the settings, as a text of each."""
    whole = settings.model_dump_json()
    catalogue = repr(settings.sequences)
    return {
        "catalogue_sequences": catalogue,
        "catalogue_steps": catalogue,
        "catalogue_standards": repr(settings.standards),
        "clock": f"{settings.time_zone} {dt.date.today().year}",
        **dict.fromkeys(("settings_used", "last_import", "record_changes"), whole),
    }


def _there(connection: Connection) -> dict[str, str]:
    """The temporary tables and views of a connection: name -> table or view."""
    found = connection.execute(
        """select table_name, 'table' from duckdb_tables() where temporary
           union all select view_name, 'view' from duckdb_views() where temporary"""
    ).fetchall()
    return dict(found)


_CATALOGUE_SEQUENCES = """sequence varchar, title varchar, glide_path_size integer, irrigant_ml double,
    length_confirmed_before_step integer, apical_gauging boolean, largest_curvature_deg double,
    smallest_binding_size integer, largest_binding_size integer, final_size integer"""
_CATALOGUE_STEPS = """sequence varchar, step integer, place integer, purpose varchar, size integer, taper double,
    length_mm double, motion varchar, depth_share double, slowest_rpm double, fastest_rpm double, torque_ncm double,
    use_limit integer, occurrence integer, occurrences integer"""
_STANDARDS = "place integer, measure varchar, target double, direction varchar, since date, note varchar"


def _settings_tables(connection: Connection, settings: Settings, as_of: dt.date) -> None:
    """The settings as tables, empty where the practice has said nothing: few rows, so they are simply written.

    catalogue_sequences: one row a sequence, with the size its last step leaves. catalogue_steps: one row a step;
    `place` counts the steps of a sequence from 1 in their order, `occurrence` those with the same instrument (size,
    taper, motion). catalogue_standards: one row a standard. settings_used: the settings and the date of these facts.
    """
    sequences: list[list[Any]] = []
    steps: list[list[Any]] = []
    for q in settings.sequences:
        binding = q.indication.first_binding_size or (None, None)
        ordered = sorted(q.step, key=lambda step: step.step)
        final = ordered[-1].size if ordered else None
        asked = [q.glide_path_size, q.irrigant_ml, q.length_confirmed_before_step, q.apical_gauging]
        sequences.append([q.id, q.title, *asked, q.indication.largest_curvature_deg, *binding, final])
        same = Counter((s.size, s.taper, s.motion) for s in ordered)
        seen: Counter[tuple[int, float, str]] = Counter()
        for place, s in enumerate(ordered, start=1):
            instrument = (s.size, s.taper, s.motion)
            seen[instrument] += 1
            limits = [s.depth_share, *(s.speed_rpm or (None, None)), s.torque_ncm, s.use_limit]
            what = [s.purpose, s.size, s.taper, s.length_mm, s.motion]
            steps.append([q.id, s.step, place, *what, *limits, seen[instrument], same[instrument]])
    standards = [
        [n, s.measure, s.target, s.direction, s.since, s.note] for n, s in enumerate(settings.standards, start=1)
    ]
    for name, columns, rows in (
        ("catalogue_sequences", _CATALOGUE_SEQUENCES, sequences),
        ("catalogue_steps", _CATALOGUE_STEPS, steps),
        ("catalogue_standards", _STANDARDS, standards),
        ("settings_used", "settings_json varchar, as_of date", [[settings.model_dump_json(), as_of]]),
    ):
        connection.execute(f"create or replace temp table {name} ({columns})")
        if rows:
            places = ", ".join("(" + ", ".join("?" * len(row)) + ")" for row in rows)
            connection.execute(f"insert into {name} values {places}", [value for row in rows for value in row])


def _clock_table(connection: Connection, time_zone: str) -> None:
    """The practice's clock: one row a span of local time with the same offset from UTC, in seconds.

    Records hold local clock times. A visit over a change of the clock lasts an hour less or more than they say; with
    the offsets of its ends it has its true length. `in_doubt`: the hour that comes twice, and the one that is left out.
    """
    connection.execute(
        "create or replace temp table clock (begins timestamp, ends timestamp, utc_offset bigint, in_doubt boolean)"
    )
    spans = clock_spans(time_zone, dt.date.today().year + 1)
    places = ", ".join(["(?, ?, ?, ?)"] * len(spans))
    connection.execute(f"insert into clock values {places}", [value for span in spans for value in span])


@cache
def clock_spans(time_zone: str, last_year: int) -> list[tuple[dt.datetime, dt.datetime, int, bool]]:
    """Spans of local time from 1900 to 2200 with their offset from UTC (s), changes from 1989 to the end of a year.

    Between two changes there is one span; a change itself makes one of its own, in doubt, with the offset before it.
    """
    zone = ZoneInfo(time_zone)

    def offset(second: int) -> int:
        utc = dt.datetime.fromtimestamp(second, dt.UTC).astimezone(zone).utcoffset()
        assert utc is not None
        return int(utc.total_seconds())

    first, last = (int(dt.datetime(year, 1, 1, tzinfo=dt.UTC).timestamp()) for year in (1989, last_year + 1))
    begins, spans = dt.datetime(1900, 1, 1), []
    for week in range(first, last, 7 * 86400):
        near, far = week, min(week + 7 * 86400, last)
        before, after = offset(near), offset(far)
        if before == after:
            continue
        while far - near > 1:
            middle = (near + far) // 2
            near, far = (middle, far) if offset(middle) == before else (near, middle)
        earlier, later = sorted(
            dt.datetime.fromtimestamp(far + shift, dt.UTC).replace(tzinfo=None) for shift in (before, after)
        )
        spans += [(begins, earlier, before, False), (earlier, later, before, True)]
        begins = later
    return [*spans, (begins, dt.datetime(2200, 1, 1), offset(last), False)]


def _import_tables(connection: Connection, time_zone: str) -> None:
    """What the last import was, and what replacements changed.

    last_import: one row a batch of the latest day on which something was loaded, replaced or refused. record_changes:
    one row a replaced version of a record and changed column (see store.known); a view, as few measures read it.
    """
    connection.execute("create or replace temp table last_import (batch_id bigint, imported_on date)")
    if latest := latest_import(connection, time_zone):
        places = ", ".join(["(?, ?)"] * len(latest.batches))
        rows = [(batch, latest.day) for batch in latest.batches]
        connection.execute(f"insert into last_import values {places}", [value for row in rows for value in row])
    connection.execute(f"create or replace temp view record_changes as {changes_sql()}")


def data_date(connection: Connection) -> dt.date | None:
    """The latest date of work or follow-up in the store; None when it is empty."""
    found = connection.execute(
        """select max(d) from (
            select cast(max(seated_at) as date) as d from visits
            union all select max(greatest(started_on, coalesce(completed_on, started_on))) from treatments
            union all select max(seen_on) from follow_ups
            union all select cast(max(contacted_at) as date) from contacts
            union all select cast(max(occurred_at) as date) from incidents
            union all select cast(max(started_at) as date) from instrument_uses
            union all select cast(max(finished_at) as date) from canals)"""
    ).fetchone()
    return found[0] if found else None
