"""A measure month by month, with the centre line, limits and signals that pipeline.stats.process finds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from reports.source import Answer
from reports.words import counted, short_month


@dataclass(frozen=True)
class Series:
    """Months in order with figures (None: none or too few), limits if any, signals by position and of the whole."""

    months: tuple[str, ...]
    values: tuple[float | None, ...]
    centre: float | None = None
    low: float | None = None
    high: float | None = None
    at: dict[int, str] = field(default_factory=dict)
    signals: tuple[str, ...] = ()
    note: str = ""

    @property
    def known(self) -> list[float]:
        return [v for v in self.values if v is not None]

    @property
    def now(self) -> str | None:
        """The signal of the last month, if there is one."""
        return self.at.get(len(self.months) - 1)

    def signal_at(self, i: int) -> str | None:
        return self.at.get(i)


FEWEST_MONTHS = 6  # earlier ones, for limits that mean something; common practice


def month_names(first: date, last: date) -> list[str]:
    """All months from one day's to another's: `2025-05` .. `2026-10`."""
    count = (last.year - first.year) * 12 + last.month - first.month + 1
    return [f"{(m := first.month - 1 + i) // 12 + first.year}-{m % 12 + 1:02d}" for i in range(count)]


def monthly(answer: Answer, months: Sequence[str]) -> Series | None:
    """The series of an answer grouped by month, the last month judged by limits from the months before it.

    Times and amounts have an individuals chart, shares and rates limits by their n (p, u, or Laney's where months vary
    more than chance lets them); `low` and `high` are those of the last month. None if the measure cannot be computed or
    has no figure at all. Months that are not shown keep their place.
    """
    from pipeline.stats import process

    rows = {row.get("month"): row for row in answer.shown}
    values = tuple(rows[m]["estimate"] if m in rows else None for m in months)
    if not any(v is not None for v in values):
        return None
    x = [_or_nan(v) for v in values]
    before = [True] * (len(months) - 1) + [len(months) == 1]
    if answer.result.kind in {"share", "rate"}:
        limits = _of_counts(answer, [rows.get(m, {}) for m in months], before)
    else:
        limits = _of_values(x, before)
    if limits.centre is None or limits.n < FEWEST_MONTHS:
        return Series(tuple(months), values)
    at: dict[int, str] = {}
    whole: list[str] = []
    for signal in process.signals(x, limits.centre, limits.low, limits.high):
        first, last = months[signal.first], months[signal.last]
        if signal.rule == "long run":
            whole.append(f"{short_month(first)} to {short_month(last)} all on one side of the mean")
        elif signal.rule == "few crossings":
            whole.append(
                f"since {short_month(first)} the months cross their mean less often than chance alone would have them"
            )
        else:
            at[signal.first] = signal.rule
    note = (
        f"Limits: mean of the {counted(limits.n, 'month')} before, {limits.how}. Months outside them are marked; a "
        "mark asks for a look and says nothing of the cause."
    )
    if limits.n < process.FEW_POINTS:
        note += f" With fewer than {process.FEW_POINTS} months the limits are tentative."
    low, high = (None if limit[-1] != limit[-1] else limit[-1] for limit in (limits.low, limits.high))
    return Series(tuple(months), values, limits.centre, low, high, at, tuple(whole), note)


@dataclass(frozen=True)
class _Limits:
    """Centre and limits, one a month (NaN: none), from `n` months; `how` says in words how far from the centre."""

    n: int
    centre: float | None
    low: list[float]
    high: list[float]
    how: str


def _of_values(x: list[float], before: list[bool]) -> _Limits:
    """Individuals chart. What is never below zero has no limit there; minutes beyond a booking may be."""
    from pipeline.stats import process

    floor = None if any(v < 0 for v in x) else 0.0
    chart = process.individuals(x, baseline=before, floor=floor)
    low, high = ([_or_nan(limit)] * len(x) for limit in (chart.low, chart.high))
    how = "plus and minus 2.66 times the mean change from month to month"
    return _Limits(chart.n, chart.centre, low, high, how)


def _of_counts(answer: Answer, rows: Sequence[Mapping[str, Any]], before: list[bool]) -> _Limits:
    """p or u chart, with Laney's limits where the months before vary by more than chance."""
    from pipeline.stats import process

    of = "exposure" if answer.result.kind == "rate" else "n"
    events = [_or_nan(row.get("events")) for row in rows]
    size = [_or_nan(row.get(of)) for row in rows]
    many = answer.result.kind == "rate" or any(e > n for e, n in zip(events, size, strict=True))
    kind: Literal["p", "u"] = "u" if many else "p"
    chart = (process.u_chart if many else process.p_chart)(events, size, before)
    how = "plus and minus three standard deviations of chance for a month's own n"
    if process.overdispersed(events[:-1], size[:-1], kind):
        chart = process.laney(events, size, kind, before)
        how += f", {chart.sigma_z:.2f} times as wide as the months before vary more than chance alone would have them"
    scale = answer.measure.scale
    centre = None if chart.centre is None else chart.centre * scale
    return _Limits(chart.n, centre, (chart.low * scale).tolist(), (chart.high * scale).tolist(), how)


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else float(value)
