"""Risk-adjusted CUSUM: one tooth after another, the sums of what happened beyond its risk and short of it, and limits.

The sum of more than expected is drawn upwards, that of fewer downwards. Both arrive finished
(pipeline.measures.process_cusum made them); this file only draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class Tooth:
    """The sums after one tooth, with what it tells under the pointer.

    `signal` names the first beyond a limit, `side` says of which sum (`up`, `down`); `answered`: of a signal that was
    looked into.
    """

    number: int
    sum: float
    text: str
    signal: str = ""
    down: float = 0.0
    side: str = "up"
    answered: bool = False


@dataclass(frozen=True)
class Part:
    """Teeth up to `last` that share limits; where `begins` names an answer, the sums start again at 0 after it."""

    last: int
    up: float
    down: float
    begins: str = ""


def cusum(teeth: Sequence[Tooth], parts: Sequence[Part], width: int, *, axis: str, share: str) -> Any:
    """The chart. `axis` says what is counted off, `share` what the sums are of; a part begins where the last ends."""
    import altair as alt

    narrow = width < 500
    plot, height = width - 46, 230 if narrow else 260
    top = max([*(t.sum for t in teeth), *(p.up for p in parts)]) * 1.2
    bottom = -max([*(t.down for t in teeth), *(p.down for p in parts)]) * 1.2
    last = teeth[-1].number
    x = alt.X(
        "number:Q",
        scale=alt.Scale(domain=[0, last * 1.02], nice=False, zero=True),
        axis=alt.Axis(title=wrap(axis, theme.letters(plot)), tickCount=5, format="d", grid=False),
    )
    y = alt.Y(
        "sum:Q",
        scale=alt.Scale(domain=[bottom, top], nice=False, zero=True),
        axis=alt.Axis(title=None, tickCount=5, grid=False, labelExpr="abs(datum.value)"),
    )
    starts = {0, *(before.last for before, p in pairwise(parts) if p.begins)}
    paths = []
    for line, sign in (("up", 1), ("down", -1)):
        path = [{"number": 0, "sum": 0.0, "line": line}] if 0 in starts else []
        for t in teeth:
            if t.number - 1 in starts - {0}:
                path.append({"number": t.number - 1, "sum": 0.0, "line": line})
            path.append({"number": t.number, "sum": sign * (t.sum if sign > 0 else t.down), "line": line})
        paths.append(path)
    rows = [{"number": t.number, "sum": t.sum, "tip": t.text} for t in teeth]
    ends = [0, *(p.last for p in parts)]
    dashed = [
        {"number": start, "to": p.last if p is not parts[-1] else last * 1.02, "sum": sum}
        for start, p in zip(ends, parts, strict=False)
        for sum in (p.up, -p.down)
    ]
    layers = [
        alt.Chart(theme.rows([{"sum": 0.0}])).mark_rule(color=theme.LINE, strokeWidth=1).encode(y=y),
        alt.Chart(theme.rows(dashed))
        .mark_rule(color=theme.LINE, strokeWidth=1.2, strokeDash=[5, 4])
        .encode(x=x, x2="to:Q", y=y),
        *(
            alt.Chart(theme.rows(path))
            .mark_line(interpolate="step-after", strokeWidth=1.5, color=theme.BLUE)
            .encode(x=x, y=y)
            for path in paths
        ),
        # What the pointer finds: the teeth, without a mark of their own in the picture.
        alt.Chart(theme.rows(rows))
        .mark_point(filled=True, opacity=0, size=70)
        .encode(x=x, y=y, tooltip=alt.Tooltip(theme.TIP)),
    ]

    def beside(at: float, text: str) -> dict[str, Any]:
        """A text left of its line, or right of it where there is no room."""
        left = plot * at / last > 12 + len(text) * theme.LETTER
        return {"align": "right" if left else "left", "dx": -6 if left else 6}

    named = [p for p in parts if p.begins]
    for start, p in zip(ends, parts, strict=False):
        if not p.begins:
            continue
        begins = alt.Chart(theme.rows([{"number": start, "text": p.begins}]))
        layers.append(begins.mark_rule(color=theme.LINE, strokeWidth=1, strokeDash=[2, 3]).encode(x=x))
        if p is named[-1]:  # of several answers the last is named here, all in the table
            layers.append(
                begins.mark_text(baseline="bottom", **beside(start, p.begins)).encode(
                    x=x, y=theme.pixel("y", height - 15), text=alt.Text("text:N")
                )
            )
    for t in teeth:
        if not (t.signal or t.answered):
            continue
        up = t.side == "up"
        # Its text stands beyond all of the sum, where nothing crosses it.
        row = {"number": t.number, "sum": t.sum if up else -t.down, "tip": t.text, "text": t.signal}
        found = alt.Chart(theme.rows([row]))
        layers.append(
            found.mark_point(filled=not t.answered, opacity=1, color=theme.VERMILION, shape="diamond", size=110).encode(
                x=x, y=y, tooltip=alt.Tooltip(theme.TIP)
            )
        )
        if t.signal:
            layers += [
                found.mark_rule(color=theme.VERMILION, strokeWidth=1).encode(
                    x=x, y=y, y2=theme.pixel("y2", 2 if up else height - 2)
                ),
                found.mark_text(
                    baseline="top" if up else "bottom", fontWeight="bold", **beside(t.number, t.signal)
                ).encode(x=x, y=theme.pixel("y", 0 if up else height), text=alt.Text("text:N")),
            ]
    title = theme.heading(
        f"{share}: upwards more than expected, downwards fewer; dashed: limits", width, frame="bounds"
    )
    return theme.layered(layers, plot, height, title=title)
