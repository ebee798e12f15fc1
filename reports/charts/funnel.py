"""Funnel: units of different size around the figure of all, with the limits that chance alone seldom passes.

Rows arrive finished (pipeline.measures.kinds.funnel made the limits); this file only draws. Limits are those of the
units' own sizes, joined: exact limits come in whole events, so that they fall in steps and not in a smooth curve.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class Unit:
    """One lot or dentist: its size, its figure in the axis' unit, and the text that it tells under the pointer.

    `label` is written beside the mark (empty: not named); `outside` marks one beyond the limits, `own` the reader's
    own. `keys` are its values of what a reader can pick (blocks.PICKS).
    """

    size: float
    value: float
    text: str
    label: str = ""
    outside: bool = False
    own: bool = False
    keys: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Limits:
    """The four limits at one size, in the axis' unit: 99.8 and 95 % below, 95 and 99.8 % above."""

    size: float
    low_998: float
    low_95: float
    high_95: float
    high_998: float


def funnel(
    units: Sequence[Unit],
    limits: Sequence[Limits],
    target: tuple[float, str],
    width: int,
    *,
    axis: str,
    size_axis: str,
    percent: bool = False,
) -> Any:
    """The chart, of one unit or more and as many limits. `target` is the figure of all with its text.

    `axis` names figure and unit, `size_axis` what a unit's size counts; `percent`: figures are shares of one.
    """
    import altair as alt

    narrow = width < 500
    room = 74 if narrow else 112  # for the texts at the right end of the lines
    plot, height = width - room - 46, 230 if narrow else 270
    sizes = sorted({u.size for u in units} | {x.size for x in limits})
    margin = (sizes[-1] - sizes[0]) * 0.06 or sizes[-1] * 0.1 or 1.0
    left, right = max(0.0, sizes[0] - margin), sizes[-1] + margin
    x_scale = alt.Scale(domain=[left, right], nice=False, zero=False)
    bottom, top = _reach(units, limits, percent)
    y_scale = alt.Scale(domain=[bottom, top], nice=False, zero=False)
    x_axis = alt.Axis(title=wrap(size_axis, theme.letters(plot)), tickCount=5, grid=False)
    y_axis = alt.Axis(title=None, tickCount=5, grid=False, format="%" if percent else alt.Undefined)
    x, y = alt.X("size:Q", scale=x_scale, axis=x_axis), alt.Y("value:Q", scale=y_scale, axis=y_axis)

    one = {x.size: x for x in limits}  # one of each size
    steps = [one[size] for size in sorted(one)]
    lines = [
        {"size": at, "value": getattr(step, name), "line": name, "level": name[-3:]}
        for name in ("low_998", "low_95", "high_95", "high_998")
        for i, step in enumerate(steps)
        # The first and the last limits reach the edges, so that a funnel of few units is a funnel too.
        for at in ([left] if i == 0 else []) + [step.size] + ([right] if i == len(steps) - 1 else [])
    ]
    dash = alt.StrokeDash("level:N", scale=alt.Scale(domain=["_95", "998"], range=[[6, 3], [2, 3]]), legend=None)
    fields = {key for unit in units for key in unit.keys}
    kinds = ["inside", "outside", "own"]
    rows = [
        {
            "size": u.size,
            "value": u.value,
            "kind": "own" if u.own else "outside" if u.outside else "inside",
            "tip": u.text,
            **u.keys,
        }
        for u in sorted(units, key=lambda u: (u.own, u.outside))  # what matters lies on top
    ]
    layers = [
        alt.Chart(theme.rows(lines))
        .mark_line(color=theme.LINE, strokeWidth=1.2, clip=True)
        .encode(x=x, y=y, detail=alt.Detail("line:N"), strokeDash=dash),
        alt.Chart(theme.rows([{"value": target[0]}])).mark_rule(color=theme.LINE, strokeWidth=1.5).encode(y=y),
        alt.Chart(theme.rows(rows))
        .mark_point(filled=True, size=52)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "kind:N", scale=alt.Scale(domain=kinds, range=[theme.BLUE, theme.VERMILION, theme.INK]), legend=None
            ),
            shape=alt.Shape(
                "kind:N", scale=alt.Scale(domain=kinds, range=["circle", "diamond", "square"]), legend=None
            ),
            size=alt.Size("kind:N", scale=alt.Scale(domain=kinds, range=[34, 110, 90]), legend=None),
            opacity=theme.picked(fields),
            tooltip=alt.Tooltip(theme.TIP),
        ),
    ]

    def up(value: float) -> float:
        return height * (top - value) / (top - bottom)

    texts = []
    ends = [target]
    if steps:
        last = steps[-1]
        pairs = (last.high_998, "99.8%"), (last.high_95, "95%"), (last.low_95, "95%"), (last.low_998, "99.8%")
        # A limit at the end of the possible is none.
        ends += [
            (value, level if narrow else f"{level} limit")
            for value, level in pairs
            if value > 0 and not (percent and value >= 1)
        ]
    place = -20.0
    for value, text in sorted(ends, key=lambda end: -end[0]):
        said = wrap(text, theme.letters(room - 8))
        place = max(up(value), place)
        texts += [{"x": plot + 8, "y": place + 14 * i, "text": t, "side": "end"} for i, t in enumerate(said)]
        place += 14 * len(said) + 4
    named = _placed(
        [
            (plot * (u.size - left) / (right - left), up(u.value), u.label, u.value < target[0])
            for u in units
            if u.label
        ],
        plot,
        height,
        [[(plot * (x["size"] - left) / (right - left), up(x["value"])) for x in run] for run in _runs(lines)]
        + [[(0.0, up(target[0])), (plot, up(target[0]))]],
    )
    texts += [{"x": n.x, "y": n.y, "text": n.text, "side": "unit"} for n in named]
    leads = [{"x": n.of[0], "y": n.of[1], "x2": n.near[0], "y2": n.near[1]} for n in named if n.far]
    if leads:
        pixels = {"x": alt.X("x:Q", scale=None), "y": alt.Y("y:Q", scale=None), "x2": "x2:Q", "y2": "y2:Q"}
        layers.append(alt.Chart(theme.rows(leads)).mark_rule(color=theme.LINE).encode(**pixels))
    looks: tuple[tuple[str, str, theme.Weight], ...] = (("end", theme.SOFT, "normal"), ("unit", theme.INK, "bold"))
    for side, colour, weight in looks:
        said_here = [t for t in texts if t["side"] == side]
        if said_here:
            layers.append(
                alt.Chart(theme.rows(said_here))
                .mark_text(align="left", baseline="middle", color=colour, fontWeight=weight)
                .encode(
                    x=alt.X("x:Q", scale=None, axis=None),
                    y=alt.Y("y:Q", scale=None, axis=None),
                    text=alt.Text("text:N"),
                )
            )
    title = theme.heading(axis, width)
    return theme.layered(layers, plot, height, fields, title)


def _reach(units: Sequence[Unit], limits: Sequence[Limits], percent: bool) -> tuple[float, float]:
    """From where to where the vertical axis goes: all units, and the limits of all but the smallest.

    The limits of very small units lie so far out that all others would be pressed into a line.
    """
    usual = sorted(limits, key=lambda x: x.size)[len(limits) // 4 :]
    top = max([u.value for u in units] + [x.high_998 for x in usual]) or 1.0
    bottom = min([u.value for u in units] + [x.low_998 for x in usual])
    room = (top - bottom) * 0.12 or top * 0.1
    return max(0.0, bottom - room), min(1.0, top + room) if percent else top + room


@dataclass(frozen=True)
class _Name:
    """Where a unit's label stands (its left end), how long it is, and where its mark is; in pixels."""

    text: str
    x: float
    y: float
    long: float
    of: tuple[float, float]

    @property
    def near(self) -> tuple[float, float]:
        """The point of the label's box that is nearest to the mark."""
        x, y = self.of
        return min(max(x, self.x), self.x + self.long), min(max(y, self.y - HALF), self.y + HALF)

    @property
    def far(self) -> bool:
        """Is the label so far from its mark that a line must lead to it?"""
        return math.dist(self.near, self.of) > 14


HALF = 7.0  # pixels: half the height of a label

Point = tuple[float, float]


def _runs(lines: Sequence[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    """The points of each limit's line, in their order."""
    runs: dict[str, list[Mapping[str, Any]]] = {}
    for point in lines:
        runs.setdefault(point["line"], []).append(point)
    return list(runs.values())


def _placed(
    labels: Sequence[tuple[float, float, str, bool]],
    plot: float,
    height: float,
    lines: Sequence[Sequence[Point]],
) -> list[_Name]:
    """Labels (x, y, text, is it below the target) beside their marks, off all lines and off each other.

    The nearest free place is taken, of equally near ones the one away from the target. Where a chart is so full that
    none is free, the nearest place inside it that is on no label and no mark.
    """
    placed: list[_Name] = []
    for x, y, text, below in sorted(labels, key=lambda label: (label[3], label[1] if label[3] else -label[1])):
        long = len(text) * theme.LETTER * 1.08  # bold
        places = sorted(_around(x, y, long, below, plot, height), key=lambda place: place[0])
        free = (
            (start, at)
            for _, start, at in places
            if not any(start < n.x + n.long + 4 and start + long + 4 > n.x and abs(at - n.y) < 15 for n in placed)
            and not any(
                start < mark[0] + 8 and start + long > mark[0] - 8 and abs(at - mark[1]) < 15 for mark in labels
            )
        )
        found = list(free)
        clear = (place for place in found if not any(_crosses(line, *place, long) for line in lines))
        start, at = next(clear, found[0] if found else (places[0][1], places[0][2]))
        placed.append(_Name(text, start, at, long, (x, y)))
    return placed


def _around(
    x: float, y: float, long: float, below: bool, plot: float, height: float
) -> Iterator[tuple[float, float, float]]:
    """Places for a label around its mark: how far off they are, their left ends and their middles."""
    middle = min(max(0.0, x - long / 2), plot - long)
    for start in {min(max(0.0, middle + long / 4 * i), plot - long) for i in range(-4, 5)}:
        for steps in range(1, 30):
            for down in (True, False):
                at = y + 15 * (steps if down else -steps)
                if HALF <= at <= height - HALF:
                    yield abs(at - y) + abs(start - middle) / 3 + (0 if down == below else 20), start, at


def _crosses(line: Sequence[Point], start: float, at: float, long: float) -> bool:
    """Does a line of straight pieces, from left to right, pass through a label or touch it?"""
    left, right, high, low = start - 2, start + long + 2, at - HALF - 1, at + HALF + 1
    for (x1, y1), (x2, y2) in pairwise(line):
        if x2 < left or x1 > right:
            continue
        ends = [y1 + (y2 - y1) * (min(max(x, left), right) - x1) / ((x2 - x1) or 1) for x in (x1, x2)]
        if max(ends) >= high and min(ends) <= low:
            return True
    return False
