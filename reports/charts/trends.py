"""Several figures month by month, a small picture each, one below the other: which of them left its usual range?

Every picture has a scale of its own, so heights are compared within a line and never between lines. The dashed lines
are the limits of the months before the last, the solid one their mean; the last month is written out beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import theme
from reports.words import wrap

TALL = 40  # pixels of one picture


@dataclass(frozen=True)
class Trend:
    """One figure: its name, a value a month (None: no figure) with its text, limits, and which months left them.

    `said` is written beside the picture: the last month's figure and what it is.
    """

    label: str
    values: tuple[float | None, ...]
    texts: tuple[str, ...]
    centre: float | None
    low: float | None
    high: float | None
    signals: frozenset[int]
    said: str


def trends(lines: Sequence[Trend], months: Sequence[str], width: int) -> Any:
    """The chart; `months` names the positions of the values, the first and the last of them below the pictures."""
    import altair as alt

    narrow = width < 500
    left, right = (0, width - 14) if narrow else (int(width * 0.32), int(width * 0.66))
    points, rules, texts, y = [], [], [], 4
    for number, line in enumerate(lines):
        if narrow:
            for text in wrap(line.label, theme.letters(width)):
                texts.append({"x": 0, "y": y + 8, "text": text, "bold": True})
                y += 16
        scale = _scale(line, y + 3, y + TALL - 3)
        marked = ((line.centre, True), (line.low, False), (line.high, False))
        rules += [{"y": scale(v), "x": left, "x2": right, "centre": c} for v, c in marked if v is not None]
        for at, value in enumerate(line.values):
            if value is not None:
                place = left + (right - left) * at / max(1, len(line.values) - 1)
                shape = "signal" if at in line.signals else "last" if at == len(line.values) - 1 else "month"
                points.append({"x": place, "y": scale(value), "line": number, "is": shape, "tip": line.texts[at]})
        if narrow:
            y += TALL
            for text in wrap(line.said, theme.letters(width)):
                texts.append({"x": 0, "y": y + 8, "text": text, "bold": False})
                y += 16
        else:
            own, said = wrap(line.label, theme.letters(left - 14)), wrap(line.said, theme.letters(width - right - 16))
            for x, side in ((0, own), (right + 16, said)):
                texts += [{"x": x, "y": y + 12 + 15 * i, "text": text, "bold": False} for i, text in enumerate(side)]
            y += max(TALL, 15 * max(len(own), len(said)) + 4)
        y += 12
    for place, name, align in ((left, months[0], "left"), (right, months[-1], "right")):
        texts.append({"x": place, "y": y + 4, "text": name, "bold": False, "end": align})
    height = y + 14
    x_of = alt.X("x:Q", scale=alt.Scale(domain=[0, width], range=[0, width], nice=False, zero=False), axis=None)
    y_of = alt.Y("y:Q", scale=alt.Scale(domain=[0, height], range=[0, height], nice=False, zero=False), axis=None)
    kinds = ["month", "last", "signal"]

    def by_kind(channel: Any, values: Sequence[Any]) -> Any:
        return channel("is:N", scale=alt.Scale(domain=kinds, range=list(values)), legend=None)

    layers = []
    for centre in (True, False):
        data = alt.Chart(theme.rows([r for r in rules if r["centre"] is centre]))
        dash = [1, 0] if centre else [5, 4]
        layers.append(data.mark_rule(color=theme.LINE, strokeDash=dash).encode(x=x_of, x2=alt.X2("x2:Q"), y=y_of))
    data = alt.Chart(theme.rows(points))
    layers.append(data.mark_line(color=theme.BLUE, strokeWidth=1.25).encode(x=x_of, y=y_of, detail="line:N"))
    layers.append(
        data.mark_point(filled=True, opacity=1).encode(
            x=x_of,
            y=y_of,
            color=by_kind(alt.Color, (theme.BLUE, theme.BLUE, theme.VERMILION)),
            shape=by_kind(alt.Shape, ("circle", "circle", "diamond")),
            size=by_kind(alt.Size, (10, 50, 90)),
            tooltip=alt.Tooltip(theme.TIP),
        )
    )
    looks: tuple[tuple[theme.Align, bool], ...] = (("left", False), ("left", True), ("right", False))
    for align, bold in looks:
        found = [t for t in texts if t.get("end", "left") == align and t["bold"] is bold]
        if found:
            weight: theme.Weight = "bold" if bold else "normal"
            words = alt.Chart(theme.rows(found)).mark_text(align=align, baseline="middle", fontWeight=weight)
            layers.append(words.encode(x=x_of, y=y_of, text=alt.Text("text:N")))
    return theme.layered(layers, width, height)


def _scale(line: Trend, top: float, bottom: float) -> Any:
    """From a value to its height in pixels: what the line holds fills the picture."""
    held = [v for v in (*line.values, line.centre, line.low, line.high) if v is not None]
    low, high = min(held, default=0.0), max(held, default=1.0)
    if low == high:
        return lambda value: (top + bottom) / 2
    return lambda value: bottom - (bottom - top) * (value - low) / (high - low)
