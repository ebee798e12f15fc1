"""Shares and rates month by month (p and u charts): the limits follow each month's own size.

Months arrive finished (pipeline.measures.process_chart made limits and signals); this file only draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import theme


@dataclass(frozen=True)
class Month:
    """One month: short name, figure (None: none or too few), its limits (None: outside the possible), and its text."""

    label: str
    value: float | None
    low: float | None
    high: float | None
    text: str
    signal: bool = False


def process(months: Sequence[Month], centre: tuple[float, str], width: int, *, axis: str, percent: bool = False) -> Any:
    """The chart; `centre` is the line of all months with its text, `axis` names what is measured."""
    import altair as alt

    narrow = width < 500
    room = 92 if narrow else 136
    plot, height = width - room - 44, 190 if narrow else 230
    rows: list[dict[str, Any]] = [
        {
            "at": i,
            "value": m.value,
            "low": m.low,
            "high": m.high,
            "label": m.label,
            "kind": "signal" if m.signal else "usual",
            "tip": f"{m.label}: {m.text}",
        }
        for i, m in enumerate(months)
        if m.value is not None
    ]
    highest = max([v for r in rows for v in (r["value"], r["high"]) if v is not None] + [centre[0]]) * 1.1 or 1.0
    last = len(months) - 1
    every = 6 if narrow else 3
    ticks = [i for i in range(len(months)) if (last - i) % (every * max(1, len(months) // 18)) == 0]
    names = " : ".join(f"datum.value == {i} ? '{months[i].label}'" for i in ticks) + " : ''"
    x = alt.X(
        "at:Q",
        scale=alt.Scale(domain=[-0.5, last + 0.5], nice=False, zero=False),
        axis=alt.Axis(title=None, values=ticks, labelExpr=names, grid=False, labelOverlap=False),
    )
    y_scale = alt.Scale(domain=[0, highest], nice=False)
    y_axis = alt.Axis(title=None, tickCount=5, grid=False, format="%" if percent else alt.Undefined)
    y = alt.Y("value:Q", scale=y_scale, axis=y_axis)
    data = alt.Chart(theme.rows(rows))
    kinds = ["usual", "signal"]
    layers = [
        alt.Chart(theme.rows([{"value": centre[0]}])).mark_rule(color=theme.LINE, strokeWidth=1.5).encode(y=y),
        *(
            alt.Chart(theme.rows([r for r in rows if r[side] is not None]))
            .mark_line(color=theme.LINE, strokeDash=[5, 4], strokeWidth=1, interpolate="step")
            .encode(x=x, y=alt.Y(f"{side}:Q", scale=y_scale, axis=y_axis))
            for side in ("low", "high")
        ),
        data.mark_line(color=theme.BLUE, strokeWidth=1.5).encode(x=x, y=y),
        data.mark_point(filled=True, opacity=1).encode(
            x=x,
            y=y,
            color=alt.Color("kind:N", legend=None, scale=alt.Scale(domain=kinds, range=[theme.BLUE, theme.VERMILION])),
            shape=alt.Shape("kind:N", legend=None, scale=alt.Scale(domain=kinds, range=["circle", "diamond"])),
            size=alt.Size("kind:N", legend=None, scale=alt.Scale(domain=kinds, range=[34, 110])),
            tooltip=alt.Tooltip(theme.TIP),
        ),
        alt.Chart(theme.rows([r for r in rows if r["kind"] == "signal"]))
        .mark_text(dy=-13, fontWeight="bold")
        .encode(x=x, y=y, text=alt.Text("label:N")),
    ]
    ends = [(rows[-1][side], name) for side, name in (("high", "Upper limit"), ("low", "Lower limit")) if rows]
    lines = sorted([centre, *((v, t) for v, t in ends if v is not None)], key=lambda end: -end[0])
    layers.append(theme.beside_lines(((height * (1 - value / highest), text) for value, text in lines), plot, room))
    title = theme.heading(axis, width)
    return theme.layered(layers, plot, height, title=title)
