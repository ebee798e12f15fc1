"""Gaps between rare events, one after another: canals (g chart) or days (t chart) from each to the next.

Gaps arrive finished (pipeline.measures.kinds.gaps made limits and signals); this file only draws. The axis is one of
square roots: most gaps are short, and a few very long ones would press them flat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import theme
from reports.charts.individuals import Limits
from reports.words import wrap


@dataclass(frozen=True)
class Gap:
    """One gap: its value, when it ended, and what it says under the pointer.

    `open`: only known to be at least so long (before the first event, since the last). `signal`: asks for a look;
    `label` is written beside it then.
    """

    value: float
    ended: str
    text: str
    open: bool = False
    signal: bool = False
    label: str = ""


def gaps(found: Sequence[Gap], limits: Limits | None, width: int, *, axis: str, order: str) -> Any:
    """The chart of one gap or more in their order; `axis` names what is counted, `order` what they follow."""
    import altair as alt

    narrow = width < 500
    room = 92 if narrow else 136  # for the texts at the right end of the lines
    plot, height = width - room - 44, 190 if narrow else 230
    marks = [m for m in (limits.high, limits.centre, limits.low) if m is not None] if limits else []
    highest = max([g.value for g in found] + [m[0] for m in marks]) * 1.12 or 1.0
    last = len(found) - 1
    parts = 2 if narrow else 4
    ticks = sorted({round(last * i / parts) for i in range(parts + 1)})
    names = " : ".join(f"datum.value == {i} ? '{found[i].ended}'" for i in ticks) + " : ''"
    x = alt.X(
        "at:Q",
        scale=alt.Scale(domain=[-0.6, last + 0.6], nice=False, zero=False),
        axis=alt.Axis(
            title=wrap(order, theme.letters(plot + 40)), values=ticks, labelExpr=names, grid=False, labelOverlap=False
        ),
    )
    y_scale = alt.Scale(type="sqrt", domain=[0, highest], nice=False)
    y = alt.Y("value:Q", scale=y_scale, axis=alt.Axis(title=None, tickCount=5, grid=False))
    rows = [
        {
            "at": i,
            "value": g.value,
            "kind": "open" if g.open else "signal" if g.signal else "usual",
            "label": g.label,
            "tip": g.text,
        }
        for i, g in enumerate(found)
    ]
    data = alt.Chart(theme.rows(rows))
    kinds = ["usual", "open", "signal"]
    layers = [
        alt.Chart(theme.rows([{"value": value}]))
        .mark_rule(
            color=theme.LINE,
            strokeWidth=1.5 if limits and value == limits.centre[0] else 1,
            strokeDash=[1, 0] if limits and value == limits.centre[0] else [5, 4],
        )
        .encode(y=y)
        for value, _ in marks
    ]
    layers += [
        data.mark_line(color=theme.BLUE, strokeWidth=1, opacity=0.6).encode(x=x, y=y),
        data.mark_point(opacity=1).encode(
            x=x,
            y=y,
            color=alt.Color(
                "kind:N", legend=None, scale=alt.Scale(domain=kinds, range=[theme.BLUE, theme.BLUE, theme.VERMILION])
            ),
            fill=alt.Fill(
                "kind:N", legend=None, scale=alt.Scale(domain=kinds, range=[theme.BLUE, "transparent", theme.VERMILION])
            ),
            shape=alt.Shape(
                "kind:N", legend=None, scale=alt.Scale(domain=kinds, range=["circle", "triangle-up", "diamond"])
            ),
            size=alt.Size("kind:N", legend=None, scale=alt.Scale(domain=kinds, range=[26, 70, 100])),
            tooltip=alt.Tooltip(theme.TIP),
        ),
    ]
    labels = [r for r in rows if r["label"]]
    if labels:
        layers.append(
            alt.Chart(theme.rows(labels))
            .mark_text(dy=-13, fontWeight="bold")
            .encode(x=x, y=y, text=alt.Text("label:N"))
        )
    names_of_lines = theme.beside_lines(
        ((height * (1 - (value / highest) ** 0.5), text) for value, text in marks), plot, room
    )
    if names_of_lines is not None:
        layers.append(names_of_lines)
    title = theme.heading(axis, width)
    return theme.layered(layers, plot, height, title=title)
