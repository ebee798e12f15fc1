"""Completeness: for each measure, how many of the records that it reads hold what it needs of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import catalogue
from pipeline.measures.kinds._common import Row
from pipeline.stats import proportions

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

# Records that may well be without: a treatment that is not completed, a canal that was not instrumented, an instrument
# that no motor turns.
MAY_BE_WITHOUT = {"treatments": "status <> 'completed'", "canals": "not_treated is not null"}
OF_A_MOTOR = {"speed_rpm", "torque_ncm", "peak_torque_ncm"}


def rows_of_records(connection: Connection, confidence: float) -> list[Row]:
    """A row a measure and kind of record that the store holds: records, complete ones, their share, the worst column.

    What is counted are records, by the `needs` of every measure. `left_empty` counts the cells not filled in which
    something impossible or unknown stood.
    """
    needed = [(m.name, kind, columns) for m in catalogue().values() for kind, columns in m.needs.items() if columns]
    asked: dict[tuple[str, str], set[tuple[str, ...]]] = {}
    for _, kind, columns in needed:
        asked.setdefault((kind, _may_be_without(kind, columns)), set()).add(columns)
    counts = {
        (kind, columns): counted
        for (kind, without), sets in asked.items()
        for columns, counted in _counted(connection, kind, without, sorted(sets)).items()
    }
    emptied = _left_empty(connection)
    out: list[Row] = []
    for name, kind, columns in needed:
        records, complete, blank = counts[kind, columns]
        if not records:
            continue
        low, high = proportions.wilson(complete, records, confidence)
        out.append(
            {
                "measure": name,
                "record_kind": kind,
                "columns": ", ".join(columns),
                "records": records,
                "complete": complete,
                "estimate": complete / records,
                "low": float(low),
                "high": float(high),
                "most_often_blank": max(blank, key=lambda column: blank[column]) if any(blank.values()) else None,
                "left_empty": sum(emptied.get((kind, column), 0) for column in columns),
            }
        )
    return out


def _left_empty(connection: Connection) -> dict[tuple[str, str], int]:
    """How many cells of each column are listed as left empty, by kind and column."""
    found = connection.execute(
        """select kind, "column", count(*) from
               (select distinct kind, batch_id, record_no, unnest(columns) as "column" from quarantine
                where what = 'cell')
           group by kind, "column\""""
    ).fetchall()
    return {(kind, column): n for kind, column, n in found}


def _may_be_without(kind: str, columns: tuple[str, ...]) -> str:
    """Which records of a kind may lack these columns, as SQL."""
    if kind == "instrument_uses" and OF_A_MOTOR.intersection(columns):
        return "motion in ('hand', 'ultrasonic')"
    return MAY_BE_WITHOUT.get(kind, "false")


def _counted(
    connection: Connection, kind: str, may_be_without: str, sets: list[tuple[str, ...]]
) -> dict[tuple[str, ...], tuple[int, int, dict[str, int]]]:
    """For sets of columns of a kind: its records, those with all of the columns filled, how many lack each column."""
    every = sorted({column for columns in sets for column in columns})
    filled = [" and ".join(f'"{c}" is not null' for c in columns) for columns in sets]
    complete = "".join(f", count(case when {condition} then 1 end)" for condition in filled)
    blank = "".join(f', count(*) - count("{c}")' for c in every)
    (found,) = connection.execute(
        f"select count(*){complete}{blank} from {kind} where not coalesce({may_be_without}, false)"
    ).fetchall()
    lacking = dict(zip(every, found[1 + len(sets) :], strict=True))
    return {
        columns: (found[0], full, {c: lacking[c] for c in columns})
        for columns, full in zip(sets, found[1 : 1 + len(sets)], strict=True)
    }
