"""Breakdowns: how units fall among the values of several characteristics, each a share with Wilson's interval.

`extras` of the measure name the characteristics: words -> column. A row is one value (`level`) of one characteristic:
`events` units of the `n` in which it is recorded; `not_recorded` says of how many others it is not known.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, number
from pipeline.stats import proportions

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    groups = "".join(f'"{g}", ' for g in by)
    partition = f"partition by {groups.rstrip(', ')}" if by else ""
    out: list[Row] = []
    for words, column in measure.extras.items():
        found = connection.execute(
            f"""with counted as (
                    select {groups} cast({column} as varchar) as level, count(*) as events
                    from {units} group by all),
                summed as (
                    select *, sum(events) over ({partition}) as units,
                        sum(case when level is not null then events end) over ({partition}) as recorded
                    from counted)
                select {groups} level, events, units, recorded from summed where level is not null"""
        ).fetchall()
        *keys, levels, events, all_units, recorded = zip(*found, strict=True) if found else [()] * (len(by) + 4)
        low, high = proportions.wilson(events, [int(n) for n in recorded], confidence)
        of_words = [
            dict(zip(by, key, strict=True))
            | {
                "characteristic": words,
                "level": level,
                "n": int(n),
                "events": int(x),
                "estimate": int(x) / int(n),
                "low": number(lo),
                "high": number(hi),
                "not_recorded": int(whole - n),
            }
            for key, level, x, whole, n, lo, hi in zip(
                zip(*keys, strict=True) if keys else [()] * len(levels),
                levels,
                events,
                all_units,
                recorded,
                low,
                high,
                strict=True,
            )
        ]
        out += sorted(of_words, key=_order)
    return sorted(out, key=lambda row: [str(row[g]) for g in by]) if by else out


def _order(row: Row) -> tuple[Any, ...]:
    """Numbers by size, words by how often they were found."""
    level = row["level"]
    whole = level.lstrip("-").replace(".", "", 1).isdigit()
    return (0, float(level), "") if whole else (1, -row["events"], level)
