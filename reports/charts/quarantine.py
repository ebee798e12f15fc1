"""Bars of counts with their words above them: why records were refused."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reports.charts import theme
from reports.words import wrap


def bars(counts: Sequence[tuple[str, int]], width: int, *, axis: str) -> Any:
    """One bar a (reason, count), longest first as given; `axis` names what is counted."""
    import altair as alt

    rows, texts, y = [], [], 0
    for reason, n in counts:
        for line in wrap(f"{reason}:\u00a0{n:,}", theme.letters(width)):
            texts.append({"y": y + 10, "text": line})
            y += 16
        rows.append({"n": n, "y": y + 1, "y2": y + 10, "tip": f"{reason}: {n:,}"})
        y += 20
    y_scale = alt.Scale(domain=[0, y], range=[0, y], nice=False)
    most = max(n for _, n in counts)
    x = alt.X(
        "n:Q",
        scale=alt.Scale(domain=[0, most], range=[0, width - 12], nice=False),
        axis=alt.Axis(title=axis, tickCount=4, tickMinStep=1, format=",d", grid=False),
    )
    bar = alt.Chart(alt.InlineData(values=rows)).mark_rect(color=theme.BLUE)
    said = alt.Chart(alt.InlineData(values=texts)).mark_text(align="left", baseline="middle")
    return alt.layer(
        bar.encode(x=alt.X("zero:Q"), x2=alt.X2("n:Q")).encode(
            x=x,
            y=alt.Y("y:Q", scale=y_scale, axis=None),
            y2=alt.Y2("y2:Q"),
            x2=alt.datum(0),
            tooltip=alt.Tooltip(theme.TIP),
        ),
        said.encode(x=alt.XValue(0), y=alt.Y("y:Q", scale=y_scale, axis=None), text=alt.Text("text:N")),
    ).properties(width=width, height=y)
