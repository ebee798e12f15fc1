"""What kinds of measures share: grouping, sums over clusters, and rows of plain Python values."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline.measures.catalogue import Measure
from pipeline.stats import rates
from pipeline.store.frames import frame as frame_of

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    Connection = duckdb.DuckDBPyConnection

Row = dict[str, Any]
Numbers = npt.NDArray[Any]

FEW_AT_RISK = 5  # below so many at risk one event moves a curve by a fifth and more; common practice, no source


def grouped(by: tuple[str, ...]) -> tuple[str, str]:
    """Group columns for a select and a group by; text, so that every group sorts and prints alike."""
    columns = "".join(f'"{g}", ' for g in by)
    return columns, (f"group by {columns.rstrip(', ')}" if by else "having count(*) > 0")


def extras(measure: Measure) -> str:
    return "".join(f', {sql} as "{name}"' for name, sql in measure.extras.items())


def fetch(connection: Connection, sql: str, by: tuple[str, ...]) -> pl.DataFrame:
    found = frame_of(connection, sql)
    return found.sort(list(by), nulls_last=True) if by else found


def clustered(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], value: str) -> pl.DataFrame:
    """Per group: n, the total of `value`, and the sums over clusters that the estimators need.

    A unit without a cluster of its own stands for itself.
    """
    columns, group_by = grouped(by)
    own = "coalesce(cast(cluster as varchar), 'unit ' || cast(rowid as varchar))"
    cluster = own if "cluster" in measure.columns else "rowid"
    sums = fetch(
        connection,
        f"""with clusters as (
                select {columns} {cluster} as c, count(*) as n, sum({value}) as y
                from {units} group by {columns} {cluster})
            select {columns} cast(sum(n) as double) as n, cast(sum(y) as double) as total, count(*) as clusters,
                cast(sum(y * y) as double) as yy, cast(sum(y * n) as double) as yn, cast(sum(n * n) as double) as nn
            from clusters {group_by}""",
        by,
    )
    if not measure.extras:
        return sums
    extra = fetch(connection, f"select {columns} 1 as one {extras(measure)} from {units} {group_by}", by)
    return sums.hstack(extra.select(list(measure.extras)))


def lives(
    connection: Connection, units: str, by: tuple[str, ...], ends: str = "cast(event as integer)", more: str = ""
) -> pl.DataFrame:
    """Per group: `times` and `ends` (an event 1 or 0, or a cause) as lists in the order of the units, and `more`."""
    columns, group_by = grouped(by)
    return fetch(
        connection,
        f"select {columns} list(cast(time as double) order by rowid) as times, "
        f"list({ends} order by rowid) as ends {more} from {units} {group_by}",
        by,
    )


def at_risk(count: int) -> Row:
    """How many are at risk, and whether they are so few that the estimate there is hardly one."""
    return {"at_risk": count, "few_at_risk": count < FEW_AT_RISK}


def per_exposure(events: Numbers, exposure: Numbers, n: Numbers, scale: float, confidence: float) -> dict[str, Any]:
    """Events over exposure with the exact Poisson (Garwood) interval, times `scale`; no rate of no exposure."""
    low, high = rates.garwood(events, exposure, confidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(exposure > 0, events / exposure, np.nan)
    return {
        "n": n.astype(int),
        "events": events.astype(int),
        "exposure": exposure,
        "estimate": rate * scale,
        "low": low * scale,
        "high": high * scale,
    }


def assemble(frame: pl.DataFrame, by: tuple[str, ...], measure: Measure, figures: dict[str, Any]) -> list[Row]:
    """Rows of plain Python values: groups first, then figures, then what the measure adds. NaN becomes None."""
    names = [*by, *figures, *measure.extras]
    columns = [frame[g].to_list() for g in by]
    columns += [list(v) for v in figures.values()]
    columns += [frame[e].to_list() for e in measure.extras]
    return [
        {name: plain(value) for name, value in zip(names, values, strict=True)} for values in zip(*columns, strict=True)
    ]


def plain(value: Any) -> Any:
    if isinstance(value, Decimal):  # what DuckDB's sums of whole numbers come as
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, float | np.floating):
        return number(value)
    return value.item() if isinstance(value, np.generic) else value


def number(value: Any) -> float | None:
    return None if value is None or np.isnan(value) else float(value)
