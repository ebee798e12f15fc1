"""Incidences: incidents of several kinds over the same canals, with the exact Poisson interval (Garwood), widened
for patients.

Units are canals (`exposure` 1, `numerator` 0, no `incident`) and incidents (`exposure` 0, `numerator` 1). Grouped by
kind of incident, every kind has all canals of its group as denominator, and a kind that a group lacks shows as 0.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import OVER_CLUSTERS, Row, assemble, own_cluster, per_exposure, sums, totals

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    canal_groups = tuple(g for g in by if g != "incident")
    names = ", ".join(f'"{g}"' for g in by)
    own = "".join(f'"{g}", ' for g in canal_groups)
    cluster = own_cluster(measure)
    kinds = f"cross join (select distinct incident from {units} where incident is not null)" if "incident" in by else ""
    same = " and ".join(f'c."{g}" is not distinct from e."{g}"' for g in by) or "true"
    shown = "".join(f'c."{g}", ' for g in by)
    frame = totals(
        connection,
        f"""with canals as (
                select * from (
                    select {own} {cluster} as c, cast(sum(exposure) as double) as t
                    from {units} group by all) as groups {kinds}),
            happened as (
                select {names + "," if by else ""} {cluster} as c, cast(sum(numerator) as double) as y
                from {units} where numerator > 0 group by all),
            clusters as (
                select {shown} c.c, c.t, coalesce(e.y, 0) as y
                from canals as c left join happened as e on e.c = c.c and {same})
            select {names + "," if by else ""} sum(t) as exposure, sum(y) as events, {OVER_CLUSTERS}
            from clusters {"group by all" if by else "having count(*) > 0"}""",
        by,
    )
    events, exposure = frame["events"].to_numpy(), frame["exposure"].to_numpy()
    return assemble(
        frame, by, measure, per_exposure(events, exposure, exposure, sums(frame), measure.scale, confidence)
    )
