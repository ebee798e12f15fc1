"""Survival in steps with its band and the numbers at risk."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from reports.charts import theme
from reports.words import wrap


@dataclass(frozen=True)
class Step:
    """The curve from this time on, with its band (None: no interval), how many were at risk, and what it says."""

    time: float
    at_risk: int
    estimate: float
    low: float | None
    high: float | None
    text: str = ""


@dataclass(frozen=True)
class Curve:
    """One group's curve; `end` is the last time that it is drawn to, `text` stands in its key and says `stated`.

    `at_risk` holds (time, number still followed) for the row of counts below the axis.
    """

    label: str
    text: str
    steps: tuple[Step, ...]
    end: float
    stated: Step | None = None
    at_risk: tuple[tuple[float, int], ...] = ()
    keys: Mapping[str, str] = field(default_factory=dict)  # its values of what a reader can pick (blocks.PICKS)


def survival(curves: Sequence[Curve], width: int, *, axis: str, share: str, lowest: float) -> Any:
    """The chart. `axis` names time and unit, `share` what survives; the vertical axis starts at `lowest`.

    One or two curves have their bands; more would hide each other, so each has its interval as a bar where it is
    `stated` instead, side by side.
    """
    import altair as alt

    plot = width - 52
    height = 200 if width < 500 else 240
    end = max(c.end for c in curves)
    x_scale = alt.Scale(domain=[0, end or 1], nice=False, zero=True)
    x = alt.X("time:Q", scale=x_scale, axis=alt.Axis(title=wrap(axis, theme.letters(plot)), tickCount=5, grid=False))
    y_scale = alt.Scale(domain=[lowest, 1], nice=False, zero=False, clamp=True)
    y_axis = alt.Axis(title=None, format=".0%" if lowest <= 0.9 else ".1%", tickCount=5)
    colours = alt.Color(
        "curve:N", legend=None, scale=alt.Scale(domain=list(range(6)), range=list(theme.SERIES_COLOURS))
    )
    fields = {key for curve in curves for key in curve.keys}
    layers = []
    for i, curve in enumerate(curves):
        rows = [
            {"time": s.time, "estimate": s.estimate, "low": s.low, "high": s.high, "curve": i, **curve.keys}
            for s in curve.steps
        ]
        tips = [{**row, "tip": f"{curve.label}: {s.text}"} for row, s in zip(rows, curve.steps, strict=True)]
        rows.append({**rows[-1], "time": curve.end})
        band = [r for r in rows if r["low"] is not None and r["high"] is not None]
        if band and len(curves) < 3:
            area = alt.Chart(theme.rows(band)).mark_area(interpolate="step-after", opacity=0.16)
            layers.append(
                area.encode(x=x, y=alt.Y("low:Q", scale=y_scale, axis=y_axis), y2=alt.Y2("high:Q"), color=colours)
            )
        drawn = alt.Chart(theme.rows(rows))
        layers.append(
            drawn.mark_line(interpolate="step-after", strokeWidth=2, strokeDash=theme.SERIES_DASHES[i % 6]).encode(
                x=x, y=alt.Y("estimate:Q", scale=y_scale, axis=y_axis), color=colours, opacity=theme.picked(fields)
            )
        )
        # What the pointer finds: the steps, without a mark of their own in the picture.
        found = alt.Chart(theme.rows(tips)).mark_point(filled=True, opacity=0, size=120)
        layers.append(
            found.encode(
                x=x, y=alt.Y("estimate:Q", scale=y_scale, axis=y_axis), color=colours, tooltip=alt.Tooltip(theme.TIP)
            )
        )
    if len(curves) > 2:
        bars = [
            {
                "time": c.stated.time + (i - len(curves) + 1) * end * 0.012,
                "low": c.stated.low,
                "high": c.stated.high,
                "curve": i,
            }
            for i, c in enumerate(curves)
            if c.stated and c.stated.low is not None and c.stated.high is not None
        ]
        bar = alt.Chart(theme.rows(bars)).mark_rule(strokeWidth=2)
        layers.append(bar.encode(x=x, y=alt.Y("low:Q", scale=y_scale, axis=y_axis), y2=alt.Y2("high:Q"), color=colours))
    y = height + 58.0
    for curve in (c for c in curves if c.at_risk):
        heading = "Number at risk" if len(curves) == 1 else f"Number at risk, {curve.label}"
        for line in wrap(heading, theme.letters(width)):
            layers.append(_text(alt, line, -40, y))
            y += 16
        y += 3
        counts = alt.Chart(theme.rows([{"time": t, "n": f"{n:,}"} for t, n in curve.at_risk]))
        layers.append(
            counts.mark_text(baseline="middle", color=theme.SOFT).encode(
                x=x, y=theme.pixel("y", y), text=alt.Text("n:N")
            )
        )
        y += 27
    # The key above the plot: a piece of each line, and its words.
    said: list[tuple[str, float, int | None]] = [(line, -40, None) for line in wrap(share, theme.letters(width))]
    for i, curve in enumerate(curves):
        if len(curves) == 1:
            break  # the title says it
        text = f"{curve.label}: {curve.text}"
        for j, line in enumerate(wrap(text, theme.letters(width - 40))):
            said.append((line, -4, i if j == 0 else None))
    y = -16.0 * len(said) - 6
    for line, x_at, curve_at in said:
        layers.append(_text(alt, line, x_at, y))
        if curve_at is not None:
            piece = alt.Chart(theme.rows([{"curve": curve_at}]))
            rule = piece.mark_rule(strokeWidth=2, strokeDash=theme.SERIES_DASHES[curve_at % 6])
            layers.append(
                rule.encode(x=theme.pixel("x", -40), x2=theme.pixel("x2", -12), y=theme.pixel("y", y), color=colours)
            )
        y += 16
    return theme.layered(layers, plot, height, fields)


def _text(alt: Any, text: str, x: float, y: float) -> Any:
    chart = alt.Chart(theme.rows([{"text": text}]))
    return chart.mark_text(align="left", baseline="middle").encode(
        x=theme.pixel("x", x), y=theme.pixel("y", y), text=alt.Text("text:N")
    )
