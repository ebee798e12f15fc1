"""The key figures of a month against the months before: a small picture each, and one table."""

from __future__ import annotations

from collections.abc import Sequence

from reports.blocks import Figure, File, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.trends import Trend, trends
from reports.evidence.common import cannot, middle, n_text
from reports.series import Series
from reports.source import Answer
from reports.words import Words, capital, counted, series, short_month

INSIDE = "inside the limits"
NO_LIMITS = "too few months for limits"


def against_before(
    words: Words, id: str, figures: Sequence[tuple[Answer, Series | None]], period: str, before: str
) -> list[Part]:
    """What a month's figures are beside the mean and the limits of the months before, and which of them stand out.

    `figures` are answers by month with their series (reports.series.monthly), `period` and `before` name both sides.
    """
    missing = [cannot(answer) for answer, _ in figures if answer.missing]
    known = [(answer, found) for answer, found in figures if found is not None]
    if not known:
        return [prose(f"{capital(period)}: nothing to count."), *missing]
    months = known[0][1].months
    pictures, lines, rows = [], [], []
    for answer, found in known:
        row = answer.find(month=found.months[-1])
        places = words.decimals(answer.result)
        name = answer.title + middle(answer)
        now = words.with_interval(answer.result, row, places) if row else "no figure"
        verdict = _verdict(found)
        limits = words.bounds(answer.result, {"low": found.low, "high": found.high}, places) or "none"
        cells = (name, now, n_text(row or {}), words.figure(answer.result, found.centre, places), limits, verdict)
        lines.append(Line(cells, answer.data(row) if row else {}))
        rows.append(
            {"measure": answer.name, "month": found.months[-1], **(row or {})}
            | {"mean_before": found.centre, "low_limit": found.low, "high_limit": found.high, "verdict": verdict}
        )
        texts = [
            f"{answer.title}, {short_month(m)}: {words.with_n(answer.result, answer.find(month=m) or {}, places)}"
            for m in months
        ]
        said = now if verdict == INSIDE else f"{now}: {verdict}"
        at = frozenset(i for i in range(len(months)) if found.signal_at(i))
        pictures.append(Trend(name, found.values, tuple(texts), found.centre, found.low, found.high, at, said))
    title = _message([(answer, found) for answer, found in known], period, before)
    wide, narrow = theme.both(lambda width: trends(pictures, [short_month(m) for m in months], width))
    columns = dict.fromkeys(key for row in rows for key in row)
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. {'; '.join(f'{p.label}: {p.said}' for p in pictures)}.",
            wide=wide,
            narrow=narrow,
            caption=f"Each line has a scale of its own. Solid: mean of {before}; dashed: their limits, as they hold "
            f"for {period}; a diamond: a month outside its own limits. Beside each line the figure of {period} with "
            f"its {words.interval}.",
        ),
        Table(
            id=f"{id}-table",
            caption=f"{capital(period)} against {before}",
            heads=("Figure", f"{capital(period)} ({words.interval})", "n", "Mean before", "Limits", "Signal"),
            lines=tuple(lines),
            numeric=frozenset({1, 2, 3, 4}),
            records=True,
            folded=True,
            summary=f"{capital(period)} against {before}: means, limits and signals",
            note="The mean is that of the months' figures, each month counting once. A month outside its limits asks "
            "for a look and says nothing of the cause; one inside them is like the others as far as figures tell.",
            file=File(id, tuple(columns), rows),
        ),
        *missing,
    ]


def _verdict(found: Series) -> str:
    if found.values[-1] is None:
        return "no figure"
    if found.centre is None:
        return NO_LIMITS
    return found.now or INSIDE


def _message(known: Sequence[tuple[Answer, Series]], period: str, before: str) -> str:
    """The chart's title: which figures left their limits."""
    head = f"{capital(period)} against {before}"
    sides = [
        f"{side} their limits {series([answer.title for answer, found in known if (found.now or '').startswith(side)])}"
        for side in ("above", "below")
        if any((found.now or "").startswith(side) for _, found in known)
    ]
    if sides:
        return f"{head}: {'; '.join(sides)}"
    judged = sum(found.centre is not None and found.values[-1] is not None for _, found in known)
    if not judged:
        return f"{head}: too few months for limits"
    return f"{head}: {counted(judged, 'figure')} judged, none outside its limits"
