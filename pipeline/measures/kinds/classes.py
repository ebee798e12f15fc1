"""Classes: the share of each class, with the interval of a share.

Units give `class_of` (text), `core` (1 or 0) and maybe `cluster`. Core classes share one denominator, all units of core
classes, and add up to 1. A class that is not core stands beside them: its denominator is the core and itself. The
measure's `order` lists the classes, so that one without a unit is a row with 0.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds import share
from pipeline.measures.kinds._common import Row

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    listed = ", ".join(f"({place}, '{name}')" for place, name in enumerate(measure.order))
    # A unit once for each class whose denominator it is in: then every class is a share like any other.
    connection.execute(
        f"""create or replace temp table units_by_class as
            select u.* exclude (class_of), k.class, case when u.class_of = k.class then 1 else 0 end as numerator
            from (select * from {units}) as u cross join (values {listed}) as k(place, class)
            where u.core = 1 or u.class_of = k.class"""
    )
    place = {name: number for number, name in enumerate(measure.order)}
    found = share.rows(connection, "units_by_class", measure, (*by, "class"), confidence)
    groups = {group: number for number, group in enumerate(dict.fromkeys(_group(row, by) for row in found))}
    return sorted(found, key=lambda row: (groups[_group(row, by)], place[row["class"]]))


def _group(row: Row, by: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(str(row[g]) for g in by)
