"""Risk-adjusted CUSUM: one tooth after another, the sum of what happened beyond its risk, and the limit.

The sum arrives finished (pipeline.measures.process_cusum made it); this file only draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class Tooth:
    """The sum after one tooth, with what it tells under the pointer; `signal` names the first beyond the limit."""

    number: int
    sum: float
    text: str
    signal: str = ""


def cusum(teeth: Sequence[Tooth], limit: tuple[float, str], width: int, *, axis: str, share: str) -> Any:
    """The chart. `limit` is its value with its name; `axis` says what is counted off, `share` what the sum is of."""
    import altair as alt

    narrow = width < 500
    plot, height = width - 46, 190 if narrow else 220
    top = max(max(t.sum for t in teeth), limit[0]) * 1.2
    last = teeth[-1].number
    x = alt.X(
        "number:Q",
        scale=alt.Scale(domain=[0, last * 1.02], nice=False, zero=True),
        axis=alt.Axis(title=wrap(axis, theme.letters(plot)), tickCount=5, format="d", grid=False),
    )
    y = alt.Y(
        "sum:Q",
        scale=alt.Scale(domain=[0, top], nice=False, zero=True),
        axis=alt.Axis(title=None, tickCount=5, grid=False),
    )
    rows = [{"number": 0, "sum": 0.0}, *({"number": t.number, "sum": t.sum, "tip": t.text} for t in teeth)]
    data = alt.Chart(theme.rows(rows))
    layers = [
        alt.Chart(theme.rows([{"sum": limit[0]}]))
        .mark_rule(color=theme.LINE, strokeWidth=1.2, strokeDash=[5, 4])
        .encode(y=y),
        data.mark_line(interpolate="step-after", strokeWidth=1.5, color=theme.BLUE).encode(x=x, y=y),
        # What the pointer finds: the teeth, without a mark of their own in the picture.
        alt.Chart(theme.rows(rows[1:]))
        .mark_point(filled=True, opacity=0, size=70)
        .encode(x=x, y=y, tooltip=alt.Tooltip(theme.TIP)),
    ]
    signals = [{"number": t.number, "sum": t.sum, "tip": t.text, "text": t.signal} for t in teeth if t.signal]
    if signals:
        found = alt.Chart(theme.rows(signals))
        # Its text stands above all of the sum, where nothing crosses it.
        before = plot * signals[0]["number"] / last > 12 + len(signals[0]["text"]) * theme.LETTER
        layers += [
            found.mark_point(filled=True, opacity=1, color=theme.VERMILION, shape="diamond", size=110).encode(
                x=x, y=y, tooltip=alt.Tooltip(theme.TIP)
            ),
            found.mark_rule(color=theme.VERMILION, strokeWidth=1).encode(x=x, y=y, y2=alt.Y2Value(2)),
            found.mark_text(
                align="right" if before else "left", dx=-6 if before else 6, baseline="top", fontWeight="bold"
            ).encode(x=x, y=alt.YValue(0), text=alt.Text("text:N")),
        ]
    title = alt.TitleParams(
        wrap(f"{share}; dashed: {limit[1]}", theme.letters(width)),
        anchor="start",
        fontSize=theme.SIZE,
        fontWeight="normal",
        frame="bounds",
        offset=10,
    )
    return theme.layered(layers, plot, height, title=title)
