"""A measure month by month, the last month held against the others: limits and signals as pages word them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from math import isnan

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
    from pipeline.measures.process_chart import limits
    from pipeline.stats import process

    rows = {row.get("month"): row for row in answer.shown}
    values = tuple(rows[m]["estimate"] if m in rows else None for m in months)
    if not any(v is not None for v in values):
        return None
    before = [True] * (len(months) - 1) + [len(months) == 1]
    found = limits(answer.measure, [rows.get(m, {}) for m in months], before)
    if found.centre is None or found.n < FEWEST_MONTHS:
        return Series(tuple(months), values)
    at: dict[int, str] = {}
    whole: list[str] = []
    for signal in process.signals(found.values, found.centre, found.low, found.high):
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
        f"Limits: mean of the {counted(found.n, 'month')} before, {_how(found.method, found.sigma_z)}. Months outside "
        "them are marked; a mark asks for a look and says nothing of the cause."
    )
    if found.n < process.FEW_POINTS:
        note += f" With fewer than {process.FEW_POINTS} months the limits are tentative."
    low, high = (None if isnan(limit[-1]) else float(limit[-1]) for limit in (found.low, found.high))
    return Series(tuple(months), values, found.centre, low, high, at, tuple(whole), note)


def _how(method: str, sigma_z: float | None) -> str:
    """How far limits are from the centre."""
    if method == "individuals":
        return "plus and minus 2.66 times the mean change from month to month"
    how = "plus and minus three standard deviations of chance for a month's own n"
    if method.endswith("'"):
        how += f", {sigma_z:.2f} times as wide as the months before vary more than chance alone would have them"
    return how
