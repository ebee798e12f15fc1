"""Amounts: mean and total, with Student's t over clusters; no interval where all amounts are equal.

Units give `value`, or, where a thing is counted in parts, `unit` and `item`: a row an item of a unit. The value is then
how many different items a unit has. Grouped by what its items are (ITEM_GROUPS) every unit counts in every group, one
without such items as 0: so the means of the groups add up to the mean of all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, assemble, clustered
from pipeline.stats import amounts

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

ITEM_GROUPS = ("size", "motion")


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    """Per group: n units, their mean with its interval, and their total."""
    if "item" in measure.columns:
        _count_items(connection, units, by)
        units = "items_counted"
    frame = clustered(connection, units, measure, by, "value")
    n, total = frame["n"].to_numpy(), frame["total"].to_numpy()
    clusters, yy, yn, nn, squares = (frame[c].to_numpy() for c in ("clusters", "yy", "yn", "nn", "squares"))
    mean, low, high = amounts.mean_interval(total, n, yy, clusters, yn, nn, confidence, squares)
    return assemble(
        frame, by, measure, {"n": n.astype(int), "estimate": mean, "low": low, "high": high, "total": total}
    )


def _count_items(connection: Connection, units: str, by: tuple[str, ...]) -> None:
    """Make the table `items_counted`: a row a unit and group of items, with how many different items it has of it."""
    own = [f'"{g}"' for g in by if g not in ITEM_GROUPS]
    of_items = [f'"{g}"' for g in by if g in ITEM_GROUPS]
    every = f"cross join (select distinct {', '.join(of_items)} from {units})" if of_items else ""
    shown = "".join(f"w.{g}, " for g in [*own, *of_items])
    same = "".join(f" and w.{g} is not distinct from h.{g}" for g in of_items)
    connection.execute(
        f"""create or replace temp table items_counted as
            with wholes as (
                select * from (select distinct {", ".join([*own, "unit", "cluster"])} from {units}) as u {every}),
            has as (
                select {", ".join([*of_items, "unit"])}, count(distinct item) as items from {units} group by all)
            select {shown} w.cluster, coalesce(h.items, 0) as value
            from wholes as w left join has as h on h.unit = w.unit {same}"""
    )
