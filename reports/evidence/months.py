"""A measure month by month: the individuals chart, and the table."""

from __future__ import annotations

from reports.blocks import Figure, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.individuals import Limits, Point, individuals
from reports.evidence.common import axis_title, cannot, counting, csv_file, figure_head, n_text
from reports.series import FEWEST_MONTHS, Series
from reports.source import Answer
from reports.words import Words, capital, series, short_month


def by_month(words: Words, id: str, answer: Answer, found: Series | None, what: str = "") -> list[Part]:
    """The individuals chart of a monthly series and its table."""
    if answer.missing:
        return [cannot(answer)]
    name = what or answer.title
    if found is None or not found.known:
        return [prose(f"{name} by month: too few months with figures for a chart.")]
    places = words.decimals(answer.result)

    def figure(value: float) -> str:
        return words.figure(answer.result, value, places)

    s = found
    listed = [
        Point(
            i,
            short_month(m),
            s.values[i],
            s.signal_at(i) is not None,
            words.with_n(answer.result, answer.find(month=m) or {}, places),
        )
        for i, m in enumerate(s.months)
    ]
    signals = [f"{short_month(m)} {s.signal_at(i)}" for i, m in enumerate(s.months) if s.signal_at(i)]
    latest = s.months[-1]
    value = s.values[-1]
    head = f"{name}, {short_month(s.months[0])} to {short_month(latest)}"
    if signals or s.signals:
        message = f"{head}: {series(signals or [*s.signals[:1]])}"
    else:
        message = f"{head}: no month stands out"
    parts: list[Part] = []
    if s.centre is None:
        parts.append(
            prose(f"{name} by month: fewer than {FEWEST_MONTHS} earlier months, too few for limits.", note=True)
        )
    if s.centre is not None and len(s.known) > 1:
        limits = Limits(
            (s.centre, f"Mean {figure(s.centre)}"),
            (s.low, f"Lower limit {figure(s.low)}") if s.low is not None else None,
            (s.high, f"Upper limit {figure(s.high)}") if s.high is not None else None,
        )
        wide, narrow = theme.both(
            lambda width: individuals(listed, limits, width, axis=f"{axis_title(answer, name)}, by month")
        )
        bounds = [figure(v) for v in (s.low, s.high) if v is not None]
        said = f"{short_month(latest)}: {figure(value)}. " if value is not None else ""
        parts.append(
            Figure(
                id=id,
                title=message,
                alt=f"{message}. {said}Mean of the months {figure(s.centre)}"
                + (
                    f", limits {' to '.join(bounds)}"
                    if len(bounds) == 2
                    else f", upper limit {bounds[-1]}"
                    if bounds
                    else ""
                )
                + ".",
                wide=wide,
                narrow=narrow,
                caption=" ".join([*(f"{capital(t)}." for t in s.signals if signals), s.note]),
                data=answer.data(),
            )
        )
    lines = []
    for i, m in enumerate(s.months):
        row = answer.find(month=m)
        cells = (
            words.value("month", m),
            words.with_interval(answer.result, row, places) if row else "none",
            n_text(row or {}),
            s.signal_at(i) or "",
        )
        lines.append(Line(cells, answer.data(row) if row else {}))
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"{name} by month",
            heads=("Month", figure_head(words, answer), "n", "Signal"),
            lines=tuple(reversed(lines)),
            numeric=frozenset({1, 2}),
            data=answer.data(),
            folded=True,
            note=counting(answer),
            file=csv_file(id, answer),
        )
    )
    return parts
