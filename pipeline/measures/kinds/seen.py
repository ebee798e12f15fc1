"""Those seen against those not seen: how the two differ in what was known of them before.

Units give `seen` (1 or 0), the characteristics that the measure's `strata` name, and maybe `cluster`. For each value of
each characteristic: its share among those seen (`events` of `n`), among those not seen (`events_reference` of
`n_reference`), and the difference with Newcombe's interval, events and units divided by their design effects. Beside it
the standardised difference, which does not grow with n: the difference over the root of the mean of both variances.
Units whose characteristic is not recorded are in neither share.
Source: Austin PC, Stat Med 2009;28:3083-3107 (standardised difference of shares).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, clustered, number
from pipeline.stats import proportions

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    out: list[Row] = []
    for characteristic in measure.strata:
        if characteristic in by:
            continue
        connection.execute(
            f"""create or replace temp table units_by_level as
                select u.*, k.level, case when cast(u."{characteristic}" as varchar) = k.level then 1 else 0 end as has
                from (select * from {units}) as u
                cross join (
                    select distinct cast("{characteristic}" as varchar) as level from {units}
                    where "{characteristic}" is not null
                ) as k
                where u."{characteristic}" is not null"""
        )
        sums = clustered(connection, "units_by_level", measure, (*by, "level", "seen"), "has")
        pairs: dict[tuple[Any, ...], dict[int, Row]] = {}
        for row in sums:
            pairs.setdefault(tuple(row[g] for g in (*by, "level")), {})[row["seen"]] = row
        out += [
            dict(zip(by, group[:-1], strict=True))
            | {"characteristic": characteristic, "level": group[-1]}
            | _compared(sides.get(1), sides.get(0), confidence)
            for group, sides in pairs.items()
        ]
    # One group after the other, each with all its characteristics.
    place = {group: at for at, group in enumerate(dict.fromkeys(tuple(str(row[g]) for g in by) for row in out))}
    return sorted(out, key=lambda row: place[tuple(str(row[g]) for g in by)])


def _compared(seen: Row | None, not_seen: Row | None, confidence: float) -> Row:
    x1, n1, d1 = _side(seen, confidence)
    x0, n0, d0 = _side(not_seen, confidence)
    difference, low, high = proportions.newcombe_difference(x1 / d1, n1 / d1, x0 / d0, n0 / d0, confidence)
    return {
        "n": int(n1),
        "events": int(x1),
        "share_seen": x1 / n1 if n1 else None,
        "n_reference": int(n0),
        "events_reference": int(x0),
        "share_not_seen": x0 / n0 if n0 else None,
        "estimate": number(difference),
        "low": number(low),
        "high": number(high),
        "standardised_difference": _standardised(x1 / n1, x0 / n0) if n1 and n0 else None,
    }


def _standardised(p1: float, p0: float) -> float | None:
    """The difference of two shares in standard deviations of the yes or no behind them; None where nothing varies."""
    variance = (p1 * (1 - p1) + p0 * (1 - p0)) / 2
    return (p1 - p0) / math.sqrt(variance) if variance > 0 else None


def _side(sums: Row | None, confidence: float) -> tuple[float, float, float]:
    """Events, units and what they are divided by of one side; nothing where nobody is on it."""
    if sums is None:
        return 0.0, 0.0, 1.0
    y, n, m, yy, yn, nn = (sums[name] for name in ("total", "n", "clusters", "yy", "yn", "nn"))
    return y, n, float(proportions.effective_divisor(y, n, m, yy, yn, nn, confidence))
