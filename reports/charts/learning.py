"""Learning over cases: the figure of the first, second, third ten cases of a group beside that of the later ones.

One panel a group, the level of the later cases as its line; ratios stand on a logarithmic axis, where half and twice
are as far from one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class Stage:
    """A ten of cases: its name, its ratio to the later cases with the interval, and what it tells under the pointer."""

    name: str
    ratio: float
    low: float | None
    high: float | None
    text: str


@dataclass(frozen=True)
class Panel:
    """One group with its stages; `later` says what the later cases took. `keys` as in blocks.PICKS."""

    label: str
    later: str
    stages: tuple[Stage, ...]
    keys: Mapping[str, str] = field(default_factory=dict)


def learning(panels: Sequence[Panel], width: int, *, axis: str, ratio: str) -> Any:
    """The chart. `axis` names the stages, `ratio` what is divided by what."""
    import altair as alt

    narrow = width < 500
    columns = 1 if narrow or len(panels) == 1 else 2
    plot = (width - 50) if columns == 1 else (width - 110) // 2
    lines = max(len(wrap(f"{p.label}: {p.later}", theme.letters(plot - 10))) for p in panels)
    titles = ["\n".join(_padded(wrap(f"{p.label}: {p.later}", theme.letters(plot - 10)), lines)) for p in panels]
    rows: list[dict[str, Any]] = [
        {
            "panel": title,
            "cases": s.name,
            "value": s.ratio,
            "low": s.ratio if s.low is None else s.low,
            "high": s.ratio if s.high is None else s.high,
            "tip": s.text,
            "later": 1.0,
            **p.keys,
        }
        for p, title in zip(panels, titles, strict=True)
        for s in p.stages
    ]
    names = list(dict.fromkeys(s.name for p in panels for s in p.stages))
    low, high = min(r["low"] for r in rows) / 1.08, max(r["high"] for r in rows) * 1.08
    ticks = [t for t in (0.1, 0.25, 0.5, 0.75, 1, 1.5, 2, 3, 4, 6, 10) if low <= t <= high]
    x = alt.X(
        "cases:N",
        sort=names,
        axis=alt.Axis(title=wrap(axis, theme.letters(plot)), labelAngle=0, labelOverlap=False, grid=False),
    )
    y_scale = alt.Scale(type="log", domain=[low, high], nice=False)
    y_axis = alt.Axis(title=None, values=ticks, format="~g", grid=False)
    fields = {key for panel in panels for key in panel.keys}
    answers = {"opacity": theme.picked(fields), "tooltip": alt.Tooltip(theme.TIP)}
    data = alt.Chart(theme.rows(rows))
    layers = [
        data.mark_rule(color=theme.LINE, strokeWidth=1.2, strokeDash=[5, 4]).encode(
            y=alt.Y("later:Q", scale=y_scale, axis=y_axis)
        ),
        data.mark_rule(color=theme.BLUE, strokeWidth=2).encode(
            x=x, y=alt.Y("low:Q", scale=y_scale, axis=y_axis), y2=alt.Y2("high:Q"), **answers
        ),
        data.mark_point(filled=True, size=55, color=theme.BLUE).encode(
            x=x, y=alt.Y("value:Q", scale=y_scale, axis=y_axis), **answers
        ),
    ]
    head = alt.Header(
        title=None,
        labelExpr="split(datum.value, '\\n')",
        labelAnchor="start",
        labelAlign="left",
        labelBaseline="bottom",
        labelFontSize=theme.SIZE,
        labelLineHeight=16,
        labelLimit=0,
        labelColor=theme.INK,
        labelPadding=4,
    )
    facet = alt.Facet("panel:N", sort=titles, header=head)
    title = theme.heading(ratio, width, alt.Undefined)
    return theme.panels(theme.layered(layers, plot, 110, fields, title), facet, columns, {"row": 20, "column": 40})


def _padded(lines: list[str], count: int) -> list[str]:
    return [*([" "] * (count - len(lines))), *lines]
