"""From counted units to rows with an estimate and an interval, one function a kind of measure.

Sums are made in SQL, one pass a measure; estimators come from pipeline.stats and are given whole columns of groups.
"""

from __future__ import annotations

from decimal import Decimal
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.stats import amounts, power, proportions, rates, stratified, survival, times
from pipeline.store.frames import frame as frame_of

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    Connection = duckdb.DuckDBPyConnection

Row = dict[str, Any]


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    """The rows of a measure over the table `units`, grouped by the columns `by`."""
    kinds = {
        "share": _shares,
        "rate": _rates,
        "time": _times,
        "amount": _amounts,
        "survival": _survival,
        "comparison": _comparison,
        "list": _list,
    }
    return kinds[measure.kind](connection, units, measure, by, confidence)


def _grouped(by: tuple[str, ...]) -> tuple[str, str]:
    """Group columns for a select and a group by; text, so that every group sorts and prints alike."""
    columns = "".join(f'"{g}", ' for g in by)
    return columns, (f"group by {columns.rstrip(', ')}" if by else "having count(*) > 0")


def _extras(measure: Measure) -> str:
    return "".join(f', {sql} as "{name}"' for name, sql in measure.extras.items())


def _fetch(connection: Connection, sql: str, by: tuple[str, ...]) -> pl.DataFrame:
    found = frame_of(connection, sql)
    return found.sort(list(by), nulls_last=True) if by else found


def _clustered(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], value: str) -> pl.DataFrame:
    """Per group: n, the total of `value`, and the sums over clusters that the estimators need.

    A unit without a cluster of its own stands for itself.
    """
    columns, group_by = _grouped(by)
    known = [c[0] for c in connection.execute(f"describe {units}").fetchall()]
    cluster = "coalesce(cast(cluster as varchar), 'unit ' || cast(rowid as varchar))" if "cluster" in known else "rowid"
    sums = _fetch(
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
    extra = _fetch(connection, f"select {columns} 1 as one {_extras(measure)} from {units} {group_by}", by)
    return sums.hstack(extra.select(list(measure.extras)))


def _shares(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    frame = _clustered(connection, units, measure, by, "numerator")
    n, events = frame["n"].to_numpy(), frame["total"].to_numpy()
    clusters, yy, yn, nn = (frame[c].to_numpy() for c in ("clusters", "yy", "yn", "nn"))
    # More than one event a unit all through a group is no share any more: the exact Poisson interval holds for it.
    within = np.minimum(events, n)
    low, high = proportions.clustered_wilson(within, n, clusters, yy, yn, nn, confidence)
    effect = proportions.design_effect(within, n, clusters, yy, yn, nn)
    poisson_low, poisson_high = rates.garwood(events, n, confidence)
    over = events > n
    low, high = np.where(over, poisson_low, low), np.where(over, poisson_high, high)
    return _assemble(
        frame,
        by,
        measure,
        {
            "n": n.astype(int),
            "events": events.astype(int),
            "estimate": events / n * measure.scale,
            "low": low * measure.scale,
            "high": high * measure.scale,
            "design_effect": effect,
        },
    )


def _rates(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = _grouped(by)
    frame = _fetch(
        connection,
        f"select {columns} count(*) as n, cast(sum(numerator) as double) as events, "
        f"cast(sum(exposure) as double) as exposure {_extras(measure)} from {units} {group_by}",
        by,
    )
    events, exposure = frame["events"].to_numpy(), frame["exposure"].to_numpy()
    low, high = rates.garwood(events, exposure, confidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(exposure > 0, events / exposure, np.nan)
    return _assemble(
        frame,
        by,
        measure,
        {
            "n": frame["n"].to_numpy(),
            "events": events.astype(int),
            "exposure": exposure,
            "estimate": rate * measure.scale,
            "low": low * measure.scale,
            "high": high * measure.scale,
        },
    )


def _times(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = _grouped(by)
    frame = _fetch(
        connection,
        f"select {columns} list(cast(value as double)) as values {_extras(measure)} from {units} {group_by}",
        by,
    )
    found = [times.summary(values.to_numpy(), confidence) for values in frame["values"]]
    return _assemble(
        frame,
        by,
        measure,
        {
            "n": [s.n for s in found],
            "estimate": [s.median for s in found],
            "low": [s.low for s in found],
            "high": [s.high for s in found],
            "q1": [s.q1 for s in found],
            "q3": [s.q3 for s in found],
            "p90": [s.p90 for s in found],
        },
    )


def _amounts(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    frame = _clustered(connection, units, measure, by, "value")
    n, total = frame["n"].to_numpy(), frame["total"].to_numpy()
    clusters, yy, yn, nn = (frame[c].to_numpy() for c in ("clusters", "yy", "yn", "nn"))
    mean, low, high = amounts.mean_interval(total, n, yy, clusters, yn, nn, confidence)
    return _assemble(
        frame, by, measure, {"n": n.astype(int), "estimate": mean, "low": low, "high": high, "total": total}
    )


def _survival(
    connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float
) -> list[Row]:
    columns, group_by = _grouped(by)
    frame = _fetch(
        connection,
        f"select {columns} list(cast(time as double) order by rowid) as times, "
        f"list(cast(event as integer) order by rowid) as events from {units} {group_by}",
        by,
    )
    out: list[Row] = []
    for group in frame.iter_rows(named=True):
        curve = survival.kaplan_meier(group["times"], group["events"], confidence)
        head = {g: group[g] for g in by} | {"n": curve.n}
        events = dict(zip(curve.times.tolist(), curve.events.tolist(), strict=True))
        # Besides event times: the start, the times that reports ask for, and the end, beyond which nothing is known.
        for time in sorted({0.0, *events, *measure.horizons, curve.last or 0.0}):
            at = curve.at(time)
            if at is not None:
                figures = {"estimate": at.estimate, "low": at.low, "high": at.high}
                out.append(head | {"time": time, "at_risk": at.at_risk, "events": events.get(time, 0)} | figures)
    return out


def _comparison(
    connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float
) -> list[Row]:
    compared = by[0]
    strata = "".join(f'"{s}", ' for s in measure.strata if s != compared)
    counted = connection.execute(
        f"""select cast("{compared}" as varchar) as g, {strata} sum(numerator) as events, count(*) as n
            from {units} group by all order by all"""
    ).fetchall()
    cells: dict[str, dict[tuple[Any, ...], tuple[float, float]]] = {}
    for g, *stratum, events, n in counted:
        cells.setdefault(g, {})[tuple(stratum)] = (float(events), float(n))
    size = {g: sum(n for _, n in by_stratum.values()) for g, by_stratum in cells.items()}
    largest_first = sorted(cells, key=lambda g: (-size[g], g))
    out = [
        _pair(compared, other, reference, cells[other], cells[reference], confidence)
        for reference, other in combinations(largest_first, 2)
    ]
    tested = [row for row in out if row["p_value"] is not None]
    if tested:
        for row, adjusted in zip(tested, power.benjamini_hochberg([r["p_value"] for r in tested]), strict=True):
            row["p_adjusted"] = float(adjusted)
    return out


def _pair(
    compared: str,
    other: str,
    reference: str,
    a: dict[tuple[Any, ...], tuple[float, float]],
    b: dict[tuple[Any, ...], tuple[float, float]],
    confidence: float,
) -> Row:
    """One comparison: crude and adjusted side by side."""

    def table(s: tuple[Any, ...]) -> list[list[float]]:
        (x1, n1), (x0, n0) = a.get(s, (0.0, 0.0)), b.get(s, (0.0, 0.0))
        return [[x1, n1 - x1], [x0, n0 - x0]]

    tables = np.array([table(s) for s in sorted({*a, *b}, key=str)])
    crude = stratified.crude(tables.sum(axis=0), confidence)
    adjusted = stratified.mantel_haenszel(tables, confidence)
    return {
        compared: other,
        "reference": reference,
        "n": int(crude.n_exposed),
        "events": int(tables[:, 0, 0].sum()),
        "n_reference": int(crude.n_reference),
        "events_reference": int(tables[:, 1, 0].sum()),
        "crude_difference": crude.risk_difference,
        "crude_low": crude.difference_low,
        "crude_high": crude.difference_high,
        "crude_odds_ratio": crude.odds_ratio,
        "crude_odds_ratio_low": crude.odds_low,
        "crude_odds_ratio_high": crude.odds_high,
        "estimate": adjusted.risk_difference,
        "low": adjusted.difference_low,
        "high": adjusted.difference_high,
        "odds_ratio": adjusted.odds_ratio,
        "odds_ratio_low": adjusted.odds_low,
        "odds_ratio_high": adjusted.odds_high,
        "p_value": adjusted.p,
        "p_adjusted": None,
        "homogeneity_p": adjusted.tarone_p,
        "strata": adjusted.strata_used,
        "strata_dropped": adjusted.strata_dropped,
        "n_used": int(adjusted.n_used),
        "smallest_difference": power.smallest_difference(crude.n_exposed, crude.n_reference, crude.reference or 0.0),
    }


def _list(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    cursor = connection.execute(f"select * from {units} order by rowid")
    names = [d[0] for d in cursor.description or ()]
    return [dict(zip(names, map(_plain, row), strict=True)) for row in cursor.fetchall()]


def _assemble(frame: pl.DataFrame, by: tuple[str, ...], measure: Measure, figures: dict[str, Any]) -> list[Row]:
    """Rows of plain Python values: groups first, then figures, then what the measure adds. NaN becomes None."""
    names = [*by, *figures, *measure.extras]
    columns = [frame[g].to_list() for g in by]
    columns += [list(v) for v in figures.values()]
    columns += [frame[e].to_list() for e in measure.extras]
    return [
        {name: _plain(value) for name, value in zip(names, values, strict=True)}
        for values in zip(*columns, strict=True)
    ]


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal):  # what DuckDB's sums of whole numbers come as
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, float | np.floating):
        return _number(value)
    return value.item() if isinstance(value, np.generic) else value


def _number(value: Any) -> float | None:
    return None if value is None or np.isnan(value) else float(value)
