"""Events seen only at visits: the share that has had the event by each time, of a smooth curve (a natural cubic spline
in ln t of the log cumulative hazard, Royston and Parmar 2002) with limits robust to clusters; where none can be fitted,
the limits of the bounds that the data allow.

Units give `after` (the last time at which the event was known not to have happened), `by_then` (the first at which it
was known to have; NULL while it is not) and maybe `cluster`, `first_look` (when the unit was first looked at, where
that was before `after`; NULL: never) and `last_look` (when it last was; before `after` where the unit can no longer
have the event, which is known up to `after`). Rows stand at the measure's horizons and at the last visit. Before
`told_from`, the first look at any unit, nothing is told but bounds; `not_told` says why there is no estimate.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, fetch, grouped, number
from pipeline.stats.unseen import event_by

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

_FIGURES = ("estimate", "low", "high", "at_least", "at_most", "at_least_low", "at_most_high", "turnbull")


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = grouped(by)
    given = {
        "after": "cast(after as double)",
        "by_then": "cast(by_then as double)",
        "clusters": "coalesce(cast(cluster as varchar), 'unit ' || cast(rowid as varchar))",
    }
    given |= {name: f"cast({name} as double)" for name in ("first_look", "last_look") if name in measure.columns}
    lists = ", ".join(f"list({sql} order by rowid) as {name}" for name, sql in given.items())
    frame = fetch(connection, f"select {columns} {lists} from {units} {group_by}", by)
    out: list[Row] = []
    for group in frame.iter_rows(named=True):
        after, by_then = np.array(group["after"], dtype=float), _or_never(group["by_then"])
        first = _or_never(group["first_look"]) if "first_look" in group else None
        seen = np.array(group["last_look"], dtype=float) if "last_look" in group else None
        seen_not = after if seen is None else np.minimum(after, seen)
        last = max(seen_not.max(), by_then[np.isfinite(by_then)].max(initial=0.0))
        times = np.array(sorted({*(h for h in measure.horizons if h < last), float(last)}))
        curve = event_by(after, by_then, times, np.array(group["clusters"]), confidence, first, seen)
        head = {g: group[g] for g in by} | {"n": curve.n}
        told_from = number(curve.told_from) if np.isfinite(curve.told_from) else None
        for i, time in enumerate(curve.times.tolist()):
            figures: Row = {name: number(getattr(curve, name)[i]) for name in _FIGURES}
            events = int((by_then <= time).sum())
            out.append(
                head
                | {"time": time, "events": events, "told_from": told_from}
                | figures
                | {"differs": bool(curve.differs[i])}
                | {"not_told": _why(figures, told_from, measure.time_unit)}
            )
    return out


def _why(figures: Row, told_from: float | None, unit: str) -> str | None:
    """Why there is no estimate, where there is none."""
    if figures["estimate"] is not None:
        return None
    if told_from is None:
        return "cannot be told: nothing was looked at"
    if figures["low"] is None:
        return f"cannot be told before the first visit at {told_from:.4g} {unit}"
    return "no curve can be told here, the interval is that of what was seen"


def _or_never(values: list[Any]) -> Any:
    return np.array([np.inf if v is None else v for v in values], dtype=float)
