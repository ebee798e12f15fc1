"""Gaps between rare events: canals between (g chart) and days between (t chart), a row a gap, in order of time.

`estimate` is units per event with the limits of the exact Poisson interval turned over. Gaps before the first and since
the last event are open (`at_least`): they are shown, but make no limits. A long gap is good.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, fetch, number
from pipeline.stats import process, rates
from pipeline.stats._common import Floats

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

SAME_DAY = 0.5  # days between two events of one day: half the unit in which days are known (no t chart holds a 0)
NO_SIGNAL = ""


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    groups = "".join(f'"{g}", ' for g in by)
    partition = f"partition by {groups.rstrip(', ')}" if by else ""
    frame = fetch(
        connection,
        f"""with placed as (
                select {groups} numerator, happened_on,
                    row_number() over ({partition} order by happened_at, treatment_id, canal) as place,
                    count(*) over ({partition}) as units,
                    min(happened_on) over ({partition}) as first_on,
                    max(happened_on) over ({partition}) as last_on
                from {units})
            select {groups} units, first_on, last_on,
                list(place order by place) filter (where numerator > 0) as places,
                list(happened_on order by place) filter (where numerator > 0) as days,
                list(cast(numerator as integer) order by place) filter (where numerator > 0) as times
            from placed group by all""",
        by,
    )
    found = frame.iter_rows(named=True)
    return [row for group in found for row in _chart({g: group[g] for g in by}, group, confidence)]


def _chart(names: Row, group: Row, confidence: float) -> list[Row]:
    times = np.array(group["times"] or [], dtype=int)
    place = np.repeat(np.array(group["places"] or [], dtype=float), times)
    day = np.repeat(np.array(group["days"] or [], dtype="datetime64[D]"), times)
    n, events = int(group["units"]), int(times.sum())
    low, high = (float(limit) for limit in rates.garwood(events, n, confidence))
    head = names | {
        "n": n,
        "events": events,
        "estimate": n / events if events else None,
        "low": 1 / high,
        "high": 1 / low if low > 0 else None,
    }
    # An event ends a gap and is no unit of it; two in one canal have none between them.
    between = np.maximum(np.diff(place) - 1, 0)
    days = np.diff(day).astype(float)
    first, last = (np.datetime64(group[k], "D") for k in ("first_on", "last_on"))
    if not events:
        line = _line("no event yet", first, None, n, float((last - first).astype(int)))
        return [head | line | _figures(process.g_chart([]), None) | {"signal": NO_SIGNAL}]
    before = _line("before the first", first, day[0], place[0] - 1, float((day[0] - first).astype(int)))
    since = _line("since the last", day[-1], None, n - place[-1], float((last - day[-1]).astype(int)))
    closed = [_line("between", day[i], day[i + 1], between[i], days[i], at_least=False) for i in range(between.size)]
    g = process.g_chart(between)
    for_t = np.where(days > 0, days, SAME_DAY)
    t = process.t_chart(for_t) if for_t.size > 1 else None
    figures = _figures(g, t)
    said = _signals(between, for_t, g, t)
    # A gap that is still open can already be longer than usual.
    still = _long(float(since["canals"]), g.high_probability, "canals") + _long(
        float(since["days"]), t.high if t else None, "days"
    )
    ends = [(before, NO_SIGNAL), *zip(closed, said, strict=True), (since, "; ".join(still))]
    return [head | line | figures | {"signal": signal} for line, signal in ends]


def _line(gap: str, start: Any, end: Any, canals: float, days: float, at_least: bool = True) -> Row:
    return {
        "gap": gap,
        "from": start.item(),
        "to": None if end is None else end.item(),
        "canals": int(canals),
        "days": int(days),
        "at_least": at_least,
    }


def _figures(g: process.GChart, t: process.TChart | None) -> Row:
    return {
        "canals_centre": None if g.centre is None else number(g.centre),
        "canals_high": g.high_probability,
        "days_centre": t.centre if t else None,
        "days_low": t.low if t else None,
        "days_high": t.high if t else None,
        "tentative": g.tentative,
    }


def _long(value: float, high: float | None, unit: str) -> list[str]:
    return [f"more {unit} than usual"] if high is not None and value > high else []


def _signals(canals: Floats, days: Floats, g: process.GChart, t: process.TChart | None) -> list[str]:
    """What is said of each closed gap, in words; long runs are said of every gap that is part of one."""
    said: list[list[str]] = [[] for _ in range(canals.size)]
    charts: list[tuple[Floats, str, float | None, float | None, float | None]] = [
        (canals, "canals", g.centre, None, g.high_probability),
    ]
    if t:
        charts.append((days, "days", t.centre, t.low, t.high))
    for values, unit, centre, low, high in charts:
        if centre is None:
            continue
        for signal in process.signals(values, centre, low, high):
            if signal.rule == "few crossings":
                words = f"{unit}: the gaps change sides too rarely"
                places = range(signal.last, signal.last + 1)
            else:
                longer = values[signal.first : signal.last + 1].mean() > centre
                usual = "more" if longer else "fewer"
                run = " for a long run" if signal.rule == "long run" else ""
                words = f"{usual} {unit} than usual{run}"
                places = range(signal.first, signal.last + 1)
            for i in places:
                said[i].append(words)
    return ["; ".join(words) for words in said]
