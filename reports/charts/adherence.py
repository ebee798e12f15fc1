"""What was asked for, check by check: met, not met and not recorded as parts of one bar, the interval of met on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import theme
from reports.words import wrap

PARTS = ("met", "not met", "not recorded")


@dataclass(frozen=True)
class Check:
    """One check: how many canals met it, did not, do not say; `low` and `high` bound the share met of those recorded.

    `text` stands above the bar.
    """

    label: str
    met: int
    not_met: int
    not_recorded: int
    low: float | None
    high: float | None
    text: str


def adherence(checks: Sequence[Check], width: int, *, axis: str) -> Any:
    """The chart: a bar a check, as shares of its canals; `axis` names what the bars are parts of."""
    import altair as alt

    right = width - 14
    parts, rules, texts, y = [], [], [], 0
    key = f"From the left: {', '.join(PARTS)}; the dark line is the interval of the share met."
    for line in wrap(key, theme.letters(width)):
        texts.append({"y": y + 10, "text": line})
        y += 16
    y += 6
    for check in checks:
        for line in wrap(f"{check.label}: {check.text}", theme.letters(width)):
            texts.append({"y": y + 10, "text": line})
            y += 16
        counts = (check.met, check.not_met, check.not_recorded)
        whole = sum(counts)
        start = 0.0
        for name, n in zip(PARTS, counts, strict=True):
            if n:
                end = start + n / whole
                tip = f"{check.label}, {name}: {n:,} of {whole:,}"
                parts.append({"x": start, "x2": end, "y": y + 3, "y2": y + 15, "part": name, "tip": tip})
                start = end
        if check.low is not None and check.high is not None:
            of = (check.met + check.not_met) / whole
            rules.append({"x": check.low * of, "x2": check.high * of, "y": y + 9})
        y += 26
    x_scale = alt.Scale(domain=[0, 1], range=[0, right], nice=False)
    y_scale = alt.Scale(domain=[0, y], range=[0, y], nice=False)
    x = alt.X("x:Q", scale=x_scale, axis=alt.Axis(title=axis, format="%", tickCount=5, grid=False))
    colours = alt.Scale(domain=list(PARTS), range=[theme.BLUE, theme.VERMILION, "transparent"])
    y_of = alt.Y("y:Q", scale=y_scale, axis=None)
    layers = [
        alt.Chart(theme.rows(parts))
        .mark_rect(stroke=theme.LINE, strokeWidth=1)
        .encode(
            x=x,
            x2=alt.X2("x2:Q"),
            y=y_of,
            y2=alt.Y2("y2:Q"),
            fill=alt.Fill("part:N", scale=colours, legend=None),
            tooltip=alt.Tooltip(theme.TIP),
        ),
        alt.Chart(theme.rows(rules)).mark_rule(color=theme.INK, strokeWidth=3).encode(x=x, x2=alt.X2("x2:Q"), y=y_of),
        alt.Chart(theme.rows(texts))
        .mark_text(align="left", baseline="middle")
        .encode(x=theme.pixel("x", 0), y=y_of, text=alt.Text("text:N")),
    ]
    return theme.layered(layers, width - 12, y)
