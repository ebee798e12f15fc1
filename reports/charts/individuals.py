"""Individuals chart: one figure a month, the centre line and limits of natural variation, and the signals by name.

The series arrives finished (pipeline.stats.process computed it); this file only draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class Point:
    """One month: its position in the series, short name, value (None: no figure), whether it is a signal, its text."""

    at: int
    label: str
    value: float | None
    signal: bool = False
    text: str = ""


@dataclass(frozen=True)
class Limits:
    """Centre line and limits with their texts; a limit that does not exist (below zero) is None."""

    centre: tuple[float, str]
    low: tuple[float, str] | None
    high: tuple[float, str] | None


def individuals(points: Sequence[Point], limits: Limits, width: int, *, axis: str) -> Any:
    """The chart; `axis` names what is measured and its unit."""
    import altair as alt

    narrow = width < 500
    room = 92 if narrow else 136  # for the texts at the right end of the lines
    plot = width - room - 44
    known = [p for p in points if p.value is not None]
    values: list[dict[str, Any]] = [
        {"at": p.at, "value": p.value, "label": p.label, "signal": p.signal, "tip": f"{p.label}: {p.text}"}
        for p in known
    ]
    marks = [m for m in (limits.high, limits.centre, limits.low) if m is not None]
    spread = [p.value for p in known if p.value is not None] + [m[0] for m in marks]
    low, high = min(spread), max(spread)
    margin = (high - low) * 0.12 or abs(high) * 0.1 or 1.0
    y_scale = alt.Scale(
        domain=[max(0.0, low - margin) if low >= 0 else low - margin, high + margin], zero=False, nice=False
    )
    y_axis = alt.Axis(title=None, tickCount=5, grid=False)
    first, last = points[0].at, points[-1].at
    x_scale = alt.Scale(domain=[first - 0.4, last + 0.4], nice=False, zero=False)
    every = 6 if narrow else 3
    ticks = [p.at for p in points if (last - p.at) % every == 0]
    names = {p.at: p.label for p in points if p.at in ticks}
    spelled = " : ".join(f"datum.value == {at} ? '{name}'" for at, name in names.items()) + " : ''"
    x = alt.X(
        "at:Q",
        scale=x_scale,
        axis=alt.Axis(title=None, values=ticks, labelExpr=spelled, grid=False, labelOverlap=False, labelFlush=False),
    )
    y = alt.Y("value:Q", scale=y_scale, axis=y_axis)
    layers = []
    for value, _ in marks:
        centre = value == limits.centre[0]
        rule = alt.Chart(theme.rows([{"value": value}]))
        layers.append(
            rule.mark_rule(
                color=theme.LINE, strokeWidth=1.5 if centre else 1, strokeDash=[1, 0] if centre else [5, 4]
            ).encode(y=y)
        )
    at_line = _apart([m[0] for m in marks], y_scale.domain, height := 190 if narrow else 230)
    for (_, text), place in zip(marks, at_line, strict=True):
        for i, line in enumerate(wrap(text, theme.letters(room - 8), most=2)):
            said = alt.Chart(theme.rows([{"text": line}]))
            layers.append(
                said.mark_text(align="left", baseline="middle", color=theme.SOFT, dx=8).encode(
                    x=theme.pixel("x", plot), y=theme.pixel("y", place + 14 * i), text=alt.Text("text:N")
                )
            )
    data = alt.Chart(theme.rows(values))
    layers.append(data.mark_line(color=theme.BLUE, strokeWidth=1.5).encode(x=x, y=y))
    layers.append(
        data.transform_filter(alt.datum.signal == False)  # noqa: E712  # an expression of the chart
        .mark_point(filled=True, opacity=1, color=theme.BLUE, size=34)
        .encode(x=x, y=y, tooltip=alt.Tooltip(theme.TIP))
    )
    signals = data.transform_filter(alt.datum.signal == True)  # noqa: E712
    layers.append(
        signals.mark_point(filled=True, opacity=1, color=theme.VERMILION, shape="diamond", size=110).encode(
            x=x, y=y, tooltip=alt.Tooltip(theme.TIP)
        )
    )
    for side, beside in _SIDES.items():
        part = [v for v in values if v["signal"] and _side(points, v["at"]) == side]
        if part:
            text = alt.Chart(theme.rows(part)).mark_text(color=theme.INK, fontWeight="bold", **beside)
            layers.append(text.encode(x=x, y=y, text=alt.Text("label:N")))
    title = theme.heading(axis, width)
    return theme.layered(layers, plot, height, title=title)


# Where a signal's name stands: where the line to and from its month does not pass, and within the axes.
_SIDES: dict[str, dict[str, Any]] = {
    "above": {"dy": -13},
    "below": {"dy": 13},
    "right": {"align": "left", "dx": 9, "dy": -9},
    "left": {"align": "right", "dx": -9, "dy": -9},
    "above, from here": {"align": "left", "dx": -4, "dy": -13},
    "below, from here": {"align": "left", "dx": -4, "dy": 13},
    "above, to here": {"align": "right", "dx": 4, "dy": -13},
    "below, to here": {"align": "right", "dx": 4, "dy": 13},
}


def _side(points: Sequence[Point], at: int) -> str:
    """The side for the name of the month at a position: outside a peak or a dip, on a slope the side that is free."""
    place = next(i for i, p in enumerate(points) if p.at == at)
    here = points[place].value
    before = next((p.value for p in reversed(points[:place]) if p.value is not None), None)
    after = next((p.value for p in points[place + 1 :] if p.value is not None), None)
    assert here is not None
    higher = [v is not None and v > here for v in (before, after)]
    if before is not None and after is not None and higher[0] != higher[1]:
        return "right" if higher[0] else "left"
    end = ", from here" if place == 0 else ", to here" if place == len(points) - 1 else ""
    return ("below" if any(higher) else "above") + end


def _apart(values: Sequence[float], domain: Any, height: float, least: float = 30) -> list[float]:
    """Heights in pixels of the line texts, top first, moved apart where they would overlap."""
    low, high = domain
    places: list[float] = []
    for value in values:
        place = height * (high - value) / (high - low)
        if places and place - places[-1] < least:
            place = places[-1] + least
        places.append(place)
    return places
