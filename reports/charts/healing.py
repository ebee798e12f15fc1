"""Share that had an event by some times, where it is seen only at visits: intervals, and what the visits leave open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class By:
    """The share by a time with its interval, and what was seen of the units at least and at most.

    Without an estimate the interval is that of what was seen, and is drawn with dashes.
    """

    time: float
    estimate: float | None
    low: float
    high: float
    at_least: float
    at_most: float
    text: str = ""


def healing(
    times: Sequence[By], width: int, *, axis: str, share: str, end: float, first: tuple[float, str] | None = None
) -> Any:
    """The chart up to `end`. Nothing is drawn before `first`, the first visit, a line that bears its text."""
    import altair as alt

    plot = width - 56
    height = 200
    x = alt.X(
        "time:Q",
        scale=alt.Scale(domain=[0, end], nice=False, zero=True),
        axis=alt.Axis(title=wrap(axis, theme.letters(plot)), tickCount=6, grid=False),
    )
    y_scale = alt.Scale(domain=[0, 1], nice=False, zero=True)
    y_axis = alt.Axis(title=None, format=".0%", tickCount=5)

    def y(field: str) -> Any:
        return alt.Y(f"{field}:Q", scale=y_scale, axis=y_axis)

    rows = [{**vars(by), "tip": by.text} for by in times]
    told = [row for row in rows if row["estimate"] is not None]
    open_ = [row for row in rows if row["estimate"] is None]
    tip = alt.Tooltip(theme.TIP)
    layers = []
    if first:
        line = alt.Chart(theme.rows([{"time": first[0], "tip": first[1]}]))
        layers.append(line.mark_rule(color=theme.LINE, strokeDash=[2, 3]).encode(x=x, tooltip=tip))
    seen = alt.Chart(theme.rows(rows)).mark_rule(color=theme.FAINT, strokeWidth=14)
    layers.append(seen.encode(x=x, y=y("at_least"), y2=alt.Y2("at_most:Q"), tooltip=tip))
    for some, dash in ((told, [1, 0]), (open_, [4, 3])):
        if some:
            rule = alt.Chart(theme.rows(some)).mark_rule(color=theme.BLUE, strokeWidth=2, strokeDash=dash)
            layers.append(rule.encode(x=x, y=y("low"), y2=alt.Y2("high:Q"), tooltip=tip))
    if told:
        point = alt.Chart(theme.rows(told)).mark_point(filled=True, opacity=1, color=theme.BLUE, size=60)
        layers.append(point.encode(x=x, y=y("estimate"), tooltip=tip))
    before = f"; dotted: {first[1]}" if first else ""
    title = theme.heading(f"{share}{before}", width)
    return theme.layered(layers, plot, height, title=title)
