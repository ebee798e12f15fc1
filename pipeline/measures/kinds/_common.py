"""What kinds of measures share: grouping, sums over clusters, and rows of plain Python values."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

from pipeline.measures.catalogue import Measure
from pipeline.stats import rates
from pipeline.stats.survival import SurvivalAt
from pipeline.store.frames import frame as frame_of

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    Connection = duckdb.DuckDBPyConnection

Row = dict[str, Any]
Numbers = npt.NDArray[Any]
Sums = tuple[Numbers, Numbers, Numbers, Numbers]  # clusters; sums over them of y * y, y * t, t * t

FEW_AT_RISK = 5  # below so many at risk one event moves a curve by a fifth and more; common practice, no source


@dataclass(frozen=True)
class Answer:
    """What another measure says: its unit and its rows, or what the store lacks to compute it, in words."""

    unit: str
    rows: list[Row]
    lacking: tuple[str, ...] = ()


class Ask(Protocol):
    """The runner's answer for another measure, without groups, of units from `start` to `end` (both included)."""

    def __call__(self, name: str, start: dt.date | None = None, end: dt.date | None = None) -> Answer: ...


def grouped(by: tuple[str, ...]) -> tuple[str, str]:
    """Group columns for a select and a group by; text, so that every group sorts and prints alike."""
    columns = "".join(f'"{g}", ' for g in by)
    return columns, (f"group by {columns.rstrip(', ')}" if by else "having count(*) > 0")


def extras(measure: Measure) -> str:
    return "".join(f', {sql} as "{name}"' for name, sql in measure.extras.items())


def fetch(connection: Connection, sql: str, by: tuple[str, ...]) -> pl.DataFrame:
    found = frame_of(connection, sql)
    return found.sort(list(by), nulls_last=True) if by else found


class Column(list[Any]):
    """A column of a table of sums."""

    def to_numpy(self) -> Numbers:
        """As numbers; what is not known is NaN."""
        return np.array([np.nan if v is None else float(v) if isinstance(v, Decimal) else v for v in self])


@dataclass(frozen=True)
class Totals:
    """A row a group, a few numbers each: no frame, whose library takes longer to load than all else does to count."""

    columns: dict[str, Column]

    def __getitem__(self, name: str) -> Column:
        return self.columns[name]

    def __iter__(self) -> Iterator[Row]:
        """The rows."""
        return (dict(zip(self.columns, row, strict=True)) for row in zip(*self.columns.values(), strict=True))

    def beside(self, other: Totals, names: Iterable[str]) -> Totals:
        """With columns of another table of the same groups."""
        return Totals(self.columns | {name: other[name] for name in names})


def totals(connection: Connection, sql: str, by: tuple[str, ...]) -> Totals:
    """The rows of a query in the order of their groups."""
    found = connection.execute(sql)
    names = [name for name, *_ in found.description or ()]
    places = [names.index(g) for g in by]
    rows = sorted(found.fetchall(), key=lambda row: [(row[p] is None, row[p]) for p in places])
    columns = zip(*rows, strict=True) if rows else ([] for _ in names)
    return Totals({name: Column(values) for name, values in zip(names, columns, strict=True)})


def clustered(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], value: str) -> Totals:
    """Per group: n, the total of `value`, and the sums over clusters that the estimators need.

    A unit without a cluster of its own stands for itself.
    """
    columns, group_by = grouped(by)
    cluster = own_cluster(measure)
    sums = totals(
        connection,
        f"""with clusters as (
                select {columns} {cluster} as c, count(*) as n, sum({value}) as y,
                    sum(cast({value} as double) * cast({value} as double)) as squares
                from {units} group by {columns} {cluster})
            select {columns} cast(sum(n) as double) as n, cast(sum(y) as double) as total, count(*) as clusters,
                cast(sum(squares) as double) as squares,
                cast(sum(y * y) as double) as yy, cast(sum(y * n) as double) as yn, cast(sum(n * n) as double) as nn
            from clusters {group_by}""",
        by,
    )
    if not measure.extras:
        return sums
    extra = totals(connection, f"select {columns} 1 as one {extras(measure)} from {units} {group_by}", by)
    return sums.beside(extra, measure.extras)


def own_cluster(measure: Measure) -> str:
    """What a unit belongs to (its patient), as SQL; a unit without one stands for itself."""
    own = "coalesce(cast(cluster as varchar), 'unit ' || cast(rowid as varchar))"
    return own if "cluster" in measure.columns else "rowid"


def cluster_list(measure: Measure) -> str:
    """The clusters of a group's units as a list of numbers in the order of the units, as SQL."""
    return f"list(hash({own_cluster(measure)}) order by rowid)"


def lives(
    connection: Connection,
    units: str,
    measure: Measure,
    by: tuple[str, ...],
    ends: str = "cast(event as integer)",
    more: str = "",
) -> pl.DataFrame:
    """Per group, as lists in the order of the units: `times`, `ends` (an event 1 or 0, or a cause) and `clusters`.

    `more` are further columns, as SQL.
    """
    columns, group_by = grouped(by)
    return fetch(
        connection,
        f"select {columns} list(cast(time as double) order by rowid) as times, "
        f"list({ends} order by rowid) as ends, {cluster_list(measure)} as clusters {more} from {units} {group_by}",
        by,
    )


def at_risk(at: SurvivalAt) -> Row:
    """How many are at risk and the figure there, withheld where they are so few that it is hardly one."""
    few = at.at_risk < FEW_AT_RISK
    shown = (None, None, None) if few else (at.estimate, at.low, at.high)
    return {"at_risk": at.at_risk, "few_at_risk": few} | dict(zip(("estimate", "low", "high"), shown, strict=True))


def per_exposure(
    events: Numbers, exposure: Numbers, n: Numbers, sums: Sums, scale: float, confidence: float
) -> dict[str, Any]:
    """Events over exposure, times `scale`; no rate of no exposure.

    The interval is the exact Poisson one (Garwood), of events and exposure divided by the design effect that `sums`
    over clusters tell: their number, and sums of squares and products of events and exposures.
    """
    low, high = rates.clustered_garwood(events, exposure, n, *sums, confidence)
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


OVER_CLUSTERS = "cast(count(*) as double) as clusters, sum(y * y) as yy, sum(y * t) as yt, sum(t * t) as tt"


def sums(frame: Totals | pl.DataFrame) -> Sums:
    """What OVER_CLUSTERS gave of each group."""
    clusters, yy, yt, tt = (frame[c].to_numpy() for c in ("clusters", "yy", "yt", "tt"))
    return clusters, yy, yt, tt


def assemble(frame: Totals | pl.DataFrame, by: tuple[str, ...], measure: Measure, figures: dict[str, Any]) -> list[Row]:
    """Rows of plain Python values: groups first, then figures, then what the measure adds. NaN becomes None."""
    names = [*by, *figures, *measure.extras]
    columns = [list(frame[g]) for g in by]
    columns += [list(v) for v in figures.values()]
    columns += [list(frame[e]) for e in measure.extras]
    return [
        {name: python_value(value) for name, value in zip(names, values, strict=True)}
        for values in zip(*columns, strict=True)
    ]


def python_value(value: Any) -> Any:
    if isinstance(value, Decimal):  # what DuckDB's sums of whole numbers come as
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, float | np.floating):
        return number(value)
    return value.item() if isinstance(value, np.generic) else value


def number(value: Any) -> float | None:
    return None if value is None or np.isnan(value) else float(value)
