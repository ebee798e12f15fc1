"""Events seen only at visits: the share that has had the event by each time (Turnbull), whole patients drawn again.

Units give `after` (the last time at which the event was known not to have happened), `by_then` (the first at which it
was known to have; NULL while it is not) and maybe `cluster`. Rows stand at the measure's horizons and at the last
visit. `at_least` and `at_most` are what the estimate leaves open between visits; the estimate itself is spread evenly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, fetch, grouped, number
from pipeline.stats.unseen import event_by

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = grouped(by)
    frame = fetch(
        connection,
        f"""select {columns} list(cast(after as double) order by rowid) as after,
                list(cast(by_then as double) order by rowid) as by_then,
                list(coalesce(cast(cluster as varchar), 'unit ' || cast(rowid as varchar)) order by rowid) as clusters
            from {units} {group_by}""",
        by,
    )
    out: list[Row] = []
    for group in frame.iter_rows(named=True):
        after = np.array(group["after"], dtype=float)
        by_then = np.array([np.inf if then is None else then for then in group["by_then"]])
        last = max(after.max(), by_then[np.isfinite(by_then)].max(initial=0.0))
        times = np.array(sorted({*(h for h in measure.horizons if h < last), float(last)}))
        curve = event_by(after, by_then, times, np.array(group["clusters"]), confidence)
        head = {g: group[g] for g in by} | {"n": curve.n}
        for i, time in enumerate(curve.times.tolist()):
            seen = int((by_then <= time).sum())
            names = ("estimate", "low", "high", "at_least", "at_most")
            out.append(
                head | {"time": time, "events": seen} | {name: number(getattr(curve, name)[i]) for name in names}
            )
    return out
