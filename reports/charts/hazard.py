"""Hazard by use number: of the instruments that came to each use, the share that met the event in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class Use:
    """The hazard at one use number: of `n` instruments that came to this use, how many met the event.

    `smooth` is the height of the smooth line there, if there is one.
    """

    number: int
    n: int
    estimate: float
    low: float
    high: float
    text: str = ""
    smooth: float | None = None


def hazard(uses: Sequence[Use], width: int, *, axis: str, share: str, limit: tuple[float, str] | None = None) -> Any:
    """Share of instruments meeting the event at each use, with intervals and the number that came to it below.

    `limit` is the practice's own limit with its text.
    """
    import altair as alt

    plot = width - 56
    height = 190
    last = max(u.number for u in uses)
    x = alt.X(
        "number:Q",
        scale=alt.Scale(domain=[min(u.number for u in uses) - 0.6, last + 0.6], nice=False, zero=False),
        axis=alt.Axis(
            title=wrap(axis, theme.letters(plot)),
            values=[u.number for u in uses],
            format="d",
            grid=False,
            labelOverlap="greedy",
            titlePadding=26,  # the numbers at risk stand between
        ),
    )
    highest = max([u.high for u in uses] + ([limit[0]] if limit else []))
    y_scale = alt.Scale(domain=[0, highest * 1.1], nice=False, zero=True)
    y_axis = alt.Axis(title=None, format=".1%" if highest < 0.1 else ".0%", tickCount=5, grid=False)
    rows = [
        {"number": u.number, "estimate": u.estimate, "low": u.low, "high": u.high, "tip": u.text, "n": f"{u.n:,}"}
        for u in uses
    ]
    data = alt.Chart(theme.rows(rows))
    layers = []
    if limit:
        rule = alt.Chart(theme.rows([{"limit": limit[0], "tip": limit[1]}]))
        dashed = rule.mark_rule(color=theme.INK, strokeWidth=1.5, strokeDash=[6, 4])
        layers.append(dashed.encode(y=alt.Y("limit:Q", scale=y_scale, axis=y_axis), tooltip=alt.Tooltip(theme.TIP)))
    smooth = [{"number": u.number, "smooth": u.smooth} for u in uses if u.smooth is not None]
    if len(smooth) > 1:
        line = alt.Chart(theme.rows(smooth)).mark_line(color=theme.LINE, strokeWidth=1.5)
        layers.append(line.encode(x=x, y=alt.Y("smooth:Q", scale=y_scale, axis=y_axis)))
    layers.append(
        data.mark_rule(color=theme.BLUE, strokeWidth=2).encode(
            x=x, y=alt.Y("low:Q", scale=y_scale, axis=y_axis), y2=alt.Y2("high:Q"), tooltip=alt.Tooltip(theme.TIP)
        )
    )
    layers.append(
        data.mark_point(filled=True, opacity=1, color=theme.BLUE, size=60).encode(
            x=x, y=alt.Y("estimate:Q", scale=y_scale, axis=y_axis), tooltip=alt.Tooltip(theme.TIP)
        )
    )
    every = -(-len(uses) * 40 // plot)  # so that the counts do not touch
    counts = alt.Chart(theme.rows(rows[::every]))
    layers.append(
        counts.mark_text(baseline="middle", color=theme.SOFT).encode(
            x=x, y=theme.pixel("y", height + 32), text=alt.Text("n:N")
        )
    )
    # The limit is named here: beside its line the text would lie on the intervals.
    dashed = f" (dashed: {limit[1]})" if limit else ""
    title = theme.heading(f"{share}{dashed}; below the uses, how many came", width)
    return theme.layered(layers, plot, height, title=title)
