"""Why records were refused, most frequent reason first: bars with their words above them, and the share together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class Reason:
    """A reason with its count in words, its share of all refusals, and that of it and the more frequent ones."""

    text: str
    share: float
    cumulated: float


def bars(reasons: Sequence[Reason], width: int, *, axis: str) -> Any:
    """One bar a reason, as given (most frequent first), each with a dot where it and those before it end together."""
    import altair as alt

    rows, texts, y = [], [], 0
    for reason in reasons:
        for line in wrap(reason.text, theme.letters(width)):
            texts.append({"y": y + 10, "text": line})
            y += 16
        rows.append(
            {"share": reason.share, "together": reason.cumulated, "y": y + 4, "y2": y + 13, "mid": y + 8.5}
            | {"tip": reason.text}
        )
        y += 25
    y_scale = alt.Scale(domain=[0, y], range=[0, y], nice=False)
    scale = alt.Scale(domain=[0, 1], range=[0, width - 16], nice=False)
    ticks = alt.Axis(title=axis, tickCount=4, format=".0%", grid=False)
    data = alt.Chart(theme.rows(rows))
    said = alt.Chart(theme.rows(texts)).mark_text(align="left", baseline="middle")
    tip = alt.Tooltip(theme.TIP)
    mid = alt.Y("mid:Q", scale=y_scale, axis=None)
    layers = [
        data.mark_rule(color=theme.LINE).encode(
            x=alt.X("share:Q", scale=scale, axis=ticks), x2=alt.X2("together:Q"), y=mid
        ),
        data.mark_rect(color=theme.BLUE).encode(
            x=alt.X("share:Q", scale=scale, axis=ticks),
            x2=alt.datum(0),
            y=alt.Y("y:Q", scale=y_scale, axis=None),
            y2=alt.Y2("y2:Q"),
            tooltip=tip,
        ),
        data.mark_point(filled=True, opacity=1, size=40, color=theme.INK).encode(
            x=alt.X("together:Q", scale=scale, axis=ticks), y=mid, tooltip=tip
        ),
        said.encode(x=theme.pixel("x", 0), y=alt.Y("y:Q", scale=y_scale, axis=None), text=alt.Text("text:N")),
    ]
    return theme.layered(layers, width, y)
