"""Completeness: for each measure, how many of the records that it reads hold what it needs of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure, catalogue
from pipeline.measures.kinds._common import Row
from pipeline.stats import proportions

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

# Records that may well be without: a treatment that is not completed, a canal that was not instrumented, an instrument
# that no motor turns.
MAY_BE_WITHOUT = {"treatments": "status <> 'completed'", "canals": "not_treated is not null"}
OF_A_MOTOR = {"speed_rpm", "torque_ncm", "peak_torque_ncm"}


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    """A row a measure and kind of record that the store holds: records, complete ones, their share, the worst column.

    `units` is not read: what is counted are records, by the `needs` of every measure.
    """
    needed = [(m.name, kind, columns) for m in catalogue().values() for kind, columns in m.needs.items() if columns]
    counts = {(kind, columns): _counted(connection, kind, columns) for _, kind, columns in needed}
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
            }
        )
    return out


def _counted(connection: Connection, kind: str, columns: tuple[str, ...]) -> tuple[int, int, dict[str, int]]:
    """Records of a kind, those with all of the columns filled, and how many lack each column."""
    filled = " and ".join(f'"{c}" is not null' for c in columns)
    each = "".join(f', count(*) - count("{c}")' for c in columns)
    may_be_without = MAY_BE_WITHOUT.get(kind, "false")
    if kind == "instrument_uses" and OF_A_MOTOR.intersection(columns):
        may_be_without = "motion = 'hand'"
    found = connection.execute(
        f"""select count(*), count(case when {filled} then 1 end){each} from {kind}
            where not coalesce({may_be_without}, false)"""
    ).fetchall()[0]
    return found[0], found[1], dict(zip(columns, found[2:], strict=True))
