"""Stacked shares by group: how the whole divides into classes, with the interval of the first class below its bar.

Texts stand beside or above each bar, so that the chart reads without its colours and without its axis.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from reports.charts import theme
from reports.words import wrap

COLOURS = (theme.BLUE, theme.SKY, theme.PURPLE, theme.ORANGE)  # light and dark apart, for prints without colour


@dataclass(frozen=True)
class Bar:
    """One group: the share of each class in the chart's order, adding up to one (none: too few to show).

    `low` and `high` bound the first share, `text` says it all, `tip` is told under the pointer. `keys` are the group's
    values of what a reader can pick (blocks.PICKS).
    """

    label: str
    shares: tuple[float, ...]
    low: float | None
    high: float | None
    text: str
    tip: str
    keys: Mapping[str, str] = field(default_factory=dict)


def shares(bars: Sequence[Bar], classes: Sequence[str], width: int, *, axis: str) -> Any:
    """The chart of up to four `classes`, named in their order; `axis` names what the whole is."""
    import altair as alt

    narrow = width < 500
    left, right = (8, width - 12) if narrow else (int(width * 0.25), int(width * 0.62))
    texts: list[dict[str, Any]] = []
    key: list[dict[str, Any]] = []
    parts: list[dict[str, Any]] = []
    firsts: list[dict[str, Any]] = []
    y, x = 0, 0
    for i, name in enumerate(classes):
        long = int((len(name) + 3) * theme.LETTER) + 12
        if x and x + long > width:
            x, y = 0, y + 18
        texts.append({"x": x + 16, "y": y + 9, "text": name, "weight": "normal"})
        key.append({"px": x, "px2": x + 11, "y": y + 3, "y2": y + 14, "class": i})
        x += long + 8
    y += 28
    for bar in bars:
        if narrow:
            for line, weight in [(t, "bold") for t in wrap(bar.label, theme.letters(width))] + [
                (t, "normal") for t in wrap(bar.text, theme.letters(width), most=5)
            ]:
                texts.append({"x": 0, "y": y + 8, "text": line, "weight": weight})
                y += 16
            top, step = y + 2, 34
        else:
            label, said = wrap(bar.label, theme.letters(left - 12)), wrap(bar.text, theme.letters(width - right - 16))
            for at, lines in ((0, label), (right + 16, said)):
                texts += [{"x": at, "y": y + 9 + 15 * i, "text": t, "weight": "normal"} for i, t in enumerate(lines)]
            top, step = y + 2, 15 + max(15 * max(len(label), len(said)), 22)
        start = 0.0
        for i, share in enumerate(bar.shares):
            if share > 0:
                parts.append(
                    {"px": _at(start, left, right), "px2": _at(start + share, left, right), "y": top, "y2": top + 13}
                    | {"class": i, "value": share, "tip": bar.tip, **bar.keys}
                )
            start += share
        if bar.shares:
            first = bar.shares[0]
            ends = (first if bar.low is None else bar.low, first if bar.high is None else bar.high)
            firsts.append({"value": first, "low": ends[0], "high": ends[1], "y": top + 21, "tip": bar.tip, **bar.keys})
        y += step
    height = y + 2

    fields = {key for bar in bars for key in bar.keys}
    y_scale = alt.Scale(domain=[0, height], range=[0, height], nice=False, zero=False)
    y_of, y2_of = alt.Y("y:Q", scale=y_scale, axis=None), alt.Y2("y2:Q")
    colour = alt.Color("class:N", scale=alt.Scale(domain=list(range(len(COLOURS))), range=list(COLOURS)), legend=None)
    scale = alt.Scale(domain=[0, 1], range=[left, right], nice=False)
    title = wrap(axis, theme.letters(right - left + (0 if narrow else 120)), most=3)
    x_of: dict[str, Any] = {"scale": scale, "axis": alt.Axis(title=title, tickCount=5, format="%", grid=False)}
    answers = {"opacity": theme.picked(fields), "tooltip": alt.Tooltip(theme.TIP)}
    at_pixel = alt.X("px:Q", scale=None, axis=None)
    layers = [
        alt.Chart(theme.rows(rows))
        .mark_rect()
        .encode(x=at_pixel, x2=alt.X2("px2:Q"), y=y_of, y2=y2_of, color=colour, **more)
        for rows, more in ((key, {}), (parts, answers))
    ]
    interval = alt.Chart(theme.rows(firsts))
    layers += [
        interval.mark_rule(strokeWidth=2, color=theme.BLUE).encode(
            x=alt.X("low:Q", **x_of), x2=alt.X2("high:Q"), y=y_of, **answers
        ),
        interval.mark_point(filled=True, size=50, color=theme.BLUE).encode(
            x=alt.X("value:Q", **x_of), y=y_of, **answers
        ),
    ]
    weights: tuple[theme.Weight, ...] = ("normal", "bold")
    for weight in weights:
        said_here = [t for t in texts if t["weight"] == weight]
        if said_here:
            words = alt.Chart(theme.rows(said_here))
            mark = words.mark_text(align="left", baseline="middle", fontWeight=weight)
            layers.append(mark.encode(x=alt.X("x:Q", scale=None, axis=None), y=y_of, text=alt.Text("text:N")))
    return theme.layered(layers, width, height, fields)


def _at(share: float, left: float, right: float) -> float:
    return left + share * (right - left)
