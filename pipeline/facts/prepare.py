"""Facts: one wide row per visit, canal, use, instrument, tooth, with everything that measures count and group by.

Each *.sql beside this file makes one table of its own name. They are made in the order in which they need each other,
which is read off the SQL itself: there is no list to keep.
"""

from __future__ import annotations

import datetime as dt
import re
from functools import cache
from graphlib import TopologicalSorter
from importlib.resources import files
from string import Template
from typing import TYPE_CHECKING

from pipeline.settings import Settings

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
    """Make all facts as temporary tables of this connection, with follow-up as known on `as_of`."""
    from_months, to_months = settings.reporting.recall_window_months
    values = {
        "as_of": as_of.isoformat(),
        "healed_after_months": settings.reporting.healed_after_months,
        "recall_from_months": from_months,
        "recall_to_months": to_months,
        "sterilisation_cost": settings.sterilisation_cost,
    }
    # Flags of a record as one text of rule ids between spaces, so that a row of facts can gather those of several.
    connection.execute(
        """create or replace temp table marked as
           select kind, batch_id, record_no, ' ' || string_agg(distinct rule, ' ') || ' ' as rules
           from flags where len(spoils) > 0 group by kind, batch_id, record_no"""
    )
    for name, sql in texts().items():
        connection.execute(f"create or replace temp table {name} as {Template(sql).substitute(values)}")


def data_date(connection: Connection) -> dt.date | None:
    """The latest date of work or follow-up in the store; None when it is empty."""
    found = connection.execute(
        """select max(d) from (
            select cast(max(seated_at) as date) as d from visits
            union all select max(greatest(started_on, coalesce(completed_on, started_on))) from treatments
            union all select max(seen_on) from follow_ups
            union all select cast(max(occurred_at) as date) from incidents
            union all select cast(max(started_at) as date) from instrument_uses
            union all select cast(max(finished_at) as date) from canals)"""
    ).fetchone()
    return found[0] if found else None
