"""Dot and interval by group, with n: the plain comparison of a figure between groups.

Every group has a heading line and one lane a mark; text is written out beside or above each interval, so that the
chart reads without its axis.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class Mark:
    """One figure: estimate and interval in the axis' unit (None: not shown), its text, and which series it is."""

    value: float | None
    low: float | None
    high: float | None
    text: str
    series: int = 0


@dataclass(frozen=True)
class Group:
    """A group with its marks, one a series; `keys` are its values of what a reader can pick (blocks.PICKS)."""

    label: str
    marks: tuple[Mark, ...]
    keys: Mapping[str, str] = field(default_factory=dict)


def dots(
    groups: Sequence[Group],
    width: int,
    *,
    axis: str,
    series: Sequence[str] = (),
    reference: float | None = None,
    bounds: tuple[float, float] | None = None,
    zero: bool = False,
    percent: bool = False,
    log: bool = False,
) -> Any:
    """The chart. `axis` names the unit; `reference` draws a vertical line; `bounds` fixes the axis.

    `log`: for ratios, so that half and twice lie equally far from one; a mark of 0 is not drawn then.
    """
    import altair as alt

    narrow = width < 500
    inside = narrow or any(len(group.marks) > 1 for group in groups)  # text stands inside the plot: no grid behind it
    spans = []
    left, right = (8, width - 8) if narrow else (int(width * 0.27), int(width * 0.66))
    rows: list[dict[str, Any]] = []
    texts: list[dict[str, Any]] = []
    y = 0
    for group in groups:
        if narrow or len(group.marks) > 1:
            for line in wrap(group.label, theme.letters(width)):
                texts.append({"x": 0, "y": y + 10, "text": line, "weight": "bold"})
                y += 16
        for mark in group.marks:
            name = series[mark.series] if series else ""
            if narrow:
                said = f"{name}: {mark.text}" if name else mark.text
                for line in wrap(said, theme.letters(width)):
                    texts.append({"x": 0, "y": y + 10, "text": line, "weight": "normal"})
                    y += 16
                at, step = y + 8, 20
            else:
                own = [name] if len(group.marks) > 1 else wrap(group.label, theme.letters(left - 12))
                for i, line in enumerate(own):
                    texts.append({"x": 0, "y": y + 12 + 15 * i, "text": line, "weight": "normal"})
                said_lines = wrap(mark.text, theme.letters(width - right - 14))
                for i, line in enumerate(said_lines):
                    texts.append({"x": right + 14, "y": y + 12 + 15 * i, "text": line, "weight": "normal"})
                at, step = y + 12, 9 + 15 * max(len(own), len(said_lines))
            if mark.value is not None and not (log and mark.value <= 0):
                rows.append(
                    {
                        "y": at,
                        "value": mark.value,
                        "low": mark.value if mark.low is None else mark.low,
                        "high": mark.value if mark.high is None else mark.high,
                        "series": mark.series,
                        "tip": f"{group.label}{', ' if name else ''}{name}: {mark.text}",
                        **group.keys,
                    }
                )
            spans.append({"y": at - (5 if narrow else 9), "y2": at + 9})
            y += step
        y += 6
    height = y + 2

    domain = alt.Undefined if bounds is None else list(bounds)
    scale = alt.Scale(
        range=[left, right],
        domain=domain,
        zero=alt.Undefined if log else zero,
        nice=bounds is None and not log,
        type="log" if log else alt.Undefined,
    )
    ticks = alt.Axis(
        title=_title(axis, right - left),
        tickCount=alt.Undefined if log else 5,  # a log axis would leave out labels to keep to a count
        values=[0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20] if log else alt.Undefined,
        format="%" if percent else "~g" if log else alt.Undefined,
        grid=not inside,
        labelOverlap="greedy" if log else alt.Undefined,
    )
    y_scale = alt.Scale(domain=[0, height], range=[0, height], nice=False, zero=False)
    y_of = alt.Y("y:Q", scale=y_scale, axis=None)
    colour = alt.Color(
        "series:N",
        scale=alt.Scale(domain=list(range(6)), range=list(theme.SERIES_COLOURS)),
        legend=None,
    )
    shape = alt.Shape("series:N", scale=alt.Scale(domain=list(range(6)), range=list(theme.SERIES_SHAPES)), legend=None)
    data = alt.Chart(theme.rows(rows))
    fields = {key for group in groups for key in group.keys}
    answers = {"opacity": theme.picked(fields), "tooltip": alt.Tooltip(theme.TIP)}
    layers = []
    if reference is not None:
        upright = alt.Chart(theme.rows([{"at": reference, **span} for span in spans]))
        layers.append(
            upright.mark_rule(color=theme.LINE, strokeWidth=1.5).encode(
                x=alt.X("at:Q", scale=scale, axis=ticks), y=y_of, y2=alt.Y2("y2:Q")
            )
        )
    layers += [
        data.mark_rule(strokeWidth=2).encode(
            x=alt.X("low:Q", scale=scale, axis=ticks), x2=alt.X2("high:Q"), y=y_of, color=colour, **answers
        ),
        data.mark_point(filled=True, size=70).encode(
            x=alt.X("value:Q", scale=scale, axis=ticks), y=y_of, color=colour, shape=shape, **answers
        ),
    ]
    weights: tuple[theme.Weight, ...] = ("normal", "bold")
    for x in sorted({t["x"] for t in texts}):
        for weight in weights:
            found = [t for t in texts if t["x"] == x and t["weight"] == weight]
            words = alt.Chart(theme.rows(found))
            mark = words.mark_text(align="left", baseline="middle", fontWeight=weight)
            layers.append(mark.encode(x=theme.pixel("x", x), y=y_of, text=alt.Text("text:N")))
    return theme.layered(layers, width, height, fields)


def _title(text: str, pixels: float) -> list[str]:
    return wrap(text, theme.letters(pixels + 60), most=3)
