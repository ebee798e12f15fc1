"""Process charts: a measure month by month, its centre line and limits, and the months that ask for a look.

Which chart follows from the kind of measure: individuals for times and amounts, p for shares, u for rates (and for
shares of more than one event a unit), with Laney's limits where months vary by more than chance. Methods and sources
stand in pipeline.stats.process.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from pipeline.errors import UserError
from pipeline.measures.catalogue import Measure, find
from pipeline.measures.run import Result, Row, Workspace
from pipeline.stats import process
from pipeline.stats._common import Floats

KINDS = ("time", "amount", "share", "rate")


@dataclass(frozen=True)
class ProcessChart(Result):
    """A chart as a result with a row a month: `value`, `centre`, `low_limit`, `high_limit` and `signal` in words.

    Limits are three standard deviations from the centre, None where they would lie outside the possible. `signals` are
    rows of `rule`, `first`, `last` (months) and `says`; `notes` say how the chart was made and what it cannot tell.
    """

    method: str
    centre: float | None
    sigma_z: float | None
    longest_run: int
    longest_run_usual: int | None
    crossings: int
    crossings_usual: int | None
    signals: list[Row]
    notes: list[str]


@dataclass(frozen=True)
class Limits:
    """Values of months with their centre and limits, one a month (NaN: none), in the unit of the measure.

    `method` is individuals, p, u, p' or u' (Laney's, `sigma_z` times as wide); `n` months have made the limits, `notes`
    say how.
    """

    method: str
    n: int
    values: Floats
    centre: float | None
    low: Floats
    high: Floats
    sigma_z: float | None
    notes: tuple[str, ...]


def process_chart(
    workspace: Workspace,
    name: str,
    where: Mapping[str, str] | None = None,
    start: dt.date | None = None,
    end: dt.date | None = None,
) -> ProcessChart:
    """The process chart of a measure over all its months, or over the units that `where`, `start` and `end` keep.

    Months too small to report, and months without units, keep their place and have no value. Fewer than 12 months with
    a value: limits are tentative and runs are not judged; the notes say so. UserError for a measure that has no months
    or whose kind has no chart.
    """
    measure = find(name)
    if measure.kind not in KINDS:
        raise UserError(
            f"{name} has no process chart: it is a {measure.kind}", do=f"Charts are made of a {', '.join(KINDS)}"
        )
    found = workspace.compute(name, ("month",), start, end, where)
    by_month = {row["month"]: row for row in found.rows if row["month"] is not None}
    months = _months(min(by_month), max(by_month)) if by_month else []
    rows = [by_month.get(month, {"n": 0}) for month in months]
    drawn = limits(measure, rows)
    signals, runs = _signals(drawn, months, measure, found.unit)
    at = {signal["first"]: signal["rule"] for signal in signals if signal["first"] == signal["last"]}
    return ProcessChart(
        **{**vars(found), "title": f"{found.title}, month by month"}
        | {"rows": [_row(m, r, drawn, i, at.get(m)) for i, (m, r) in enumerate(zip(months, rows, strict=True))]},
        method=drawn.method,
        centre=drawn.centre,
        sigma_z=drawn.sigma_z,
        longest_run=runs.longest_run,
        longest_run_usual=runs.longest_run_max,
        crossings=runs.crossings,
        crossings_usual=runs.crossings_min,
        signals=signals,
        notes=[*drawn.notes, *_cautions(drawn)],
    )


def _months(first: str, last: str) -> list[str]:
    """Every month from one to another, `2025-11` .. `2026-02`."""
    a, b = (int(m[:4]) * 12 + int(m[5:7]) - 1 for m in (first, last))
    return [f"{i // 12:04d}-{i % 12 + 1:02d}" for i in range(a, b + 1)]


def _column(rows: Sequence[Row], name: str) -> Floats:
    return np.array([np.nan if row.get(name) is None else row[name] for row in rows], dtype=float)


def limits(measure: Measure, rows: Sequence[Row], before: Sequence[bool] | None = None) -> Limits:
    """The limits of months from the rows that a measure gave them ({}: none), by the chart of its kind.

    `before` says which months make the limits, by default all of them.
    """
    make_limits = np.ones(len(rows), dtype=bool) if before is None else np.array(before, dtype=bool)
    if measure.kind in ("time", "amount"):
        return _individuals(rows, make_limits)
    return _attributes(rows, measure, make_limits)


def _individuals(rows: Sequence[Row], before: npt.NDArray[np.bool_]) -> Limits:
    """What is never below zero has no limit there; minutes beyond a booking may be."""
    x = _column(rows, "estimate")
    chart = process.individuals(x, baseline=before, floor=None if np.any(x < 0) else 0.0)
    low, high = (np.full(x.shape, np.nan if limit is None else limit) for limit in (chart.low, chart.high))
    note = "Individuals chart: limits are the mean of the months, plus and minus 2.66 times their mean change."
    return Limits("individuals", chart.n, x, chart.centre, low, high, None, (note,))


def _attributes(rows: Sequence[Row], measure: Measure, before: npt.NDArray[np.bool_]) -> Limits:
    """p or u chart in the unit of the measure; Laney's limits where months vary more than chance would have them."""
    events = _column(rows, "events")
    size = np.where(np.isnan(events), np.nan, _column(rows, "exposure" if measure.kind == "rate" else "n"))
    many = measure.kind == "rate" or bool(np.any(events > size))
    kind: Literal["p", "u"] = "u" if many else "p"
    letter: str = kind
    chart = (process.u_chart if many else process.p_chart)(events, size, before)
    notes = [f"{letter} chart: limits are three standard deviations of chance from the centre, for each month's own n."]
    if process.overdispersed(events[before], size[before], kind):
        chart, letter = process.laney(events, size, kind, before), f"{letter}'"
        notes.append(
            f"Months vary by more than chance alone would have them, so the limits are Laney's, {chart.sigma_z:.2f} "
            "times as wide."
        )
    if chart.sparse and chart.n:
        notes.append("Fewer than five events are expected in a usual month: the gaps between events tell more.")
    scale = measure.scale
    centre = None if chart.centre is None else chart.centre * scale
    return Limits(
        letter, chart.n, chart.values * scale, centre, chart.low * scale, chart.high * scale, chart.sigma_z, (*notes,)
    )


def _signals(drawn: Limits, months: list[str], measure: Measure, unit: str) -> tuple[list[Row], process.Anhoej]:
    """What the months show, in words, each with its months and the rule that it met."""

    def figure(x: float) -> str:
        return f"{100 * x:.1f} %" if measure.kind == "share" and measure.scale == 1 else f"{x:.4g} {unit}"

    centre = np.nan if drawn.centre is None else drawn.centre
    runs = process.anhoej(drawn.values, centre)
    rows: list[Row] = []
    for signal in process.signals(drawn.values, drawn.centre, drawn.low, drawn.high):
        first, last = months[signal.first], months[signal.last]
        i = signal.first
        if signal.rule == "long run":
            side = "above" if drawn.values[i] > centre else "below"
            says = (
                f"{first} to {last}: {runs.longest_run} months in a row {side} the centre line of {figure(centre)}; "
                f"chance alone seldom makes more than {runs.longest_run_max} (Anhoej)"
            )
        elif signal.rule == "few crossings":
            times = {0: "not once", 1: "once"}.get(runs.crossings, f"{runs.crossings} times")
            says = (
                f"{first} to {last}: the months cross the centre line {times}; "
                f"chance alone seldom makes fewer than {runs.crossings_min} (Anhoej)"
            )
        else:
            limit = drawn.high[i] if signal.rule == "above the upper limit" else drawn.low[i]
            says = f"{first}: {figure(drawn.values[i])} is {signal.rule} of {figure(limit)}"
        if drawn.n < process.FEW_POINTS and signal.rule in ("long run", "few crossings"):
            continue
        rows.append({"rule": signal.rule, "first": first, "last": last, "says": says})
    return rows, runs


def _row(month: str, row: Row, drawn: Limits, i: int, signal: str | None) -> Row:
    def known(x: float) -> float | None:
        return None if np.isnan(x) else float(x)

    counted: dict[str, Any] = {k: row[k] for k in ("n", "events", "exposure", "too_few") if k in row}
    value = known(drawn.values[i])
    ends = {"low_limit": known(drawn.low[i]), "high_limit": known(drawn.high[i])}
    if value is None:
        ends = dict.fromkeys(ends)
    return {"month": month, **counted, "value": value, "centre": drawn.centre, **ends, "signal": signal}


def _cautions(drawn: Limits) -> list[str]:
    if drawn.n < 2:
        return ["Fewer than two months have a figure: there are no limits."]
    said = ["A signal asks for a look; it says nothing of the cause."]
    if drawn.n < process.FEW_POINTS:
        said.append(
            f"Only {drawn.n} months have a figure: with fewer than {process.FEW_POINTS} the limits are tentative, and "
            "runs are not judged."
        )
    return said
