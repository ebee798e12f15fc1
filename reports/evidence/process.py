"""Shares and rates month by month: said in a sentence, and drawn where a month or a run asks for a look."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, File, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.process import Month, process
from reports.evidence.common import Shape, cannot
from reports.evidence.groups import order
from reports.source import Answer
from reports.words import TOO_FEW, Words, capital, count, counted, day, group_title, number, short_day, short_month


def by_month(words: Words, id: str, answer: Answer, usual: Answer) -> list[Part]:
    """The p or u chart of an answer of Source.process; `usual` is the measure over all months, for its words."""
    if answer.missing:
        return [cannot(answer)]
    chart = answer.result
    rows = [row for row in chart.rows if row.get("value") is not None]
    if not rows or chart.centre is None:
        return [prose(f"{usual.title} by month: too few months with figures for a chart.", note=True)]
    shape = Shape(usual.result, [{"estimate": chart.centre}])
    places = words.decimals(shape)

    def figure(value: float) -> str:
        return words.figure(shape, value, places)

    span = f"{short_month(rows[0]['month'])} to {short_month(rows[-1]['month'])}"
    told = [_set(signal["says"]) for signal in chart.signals]
    if not told:
        return [
            prose(
                Sentence(
                    f"{usual.title} month by month, {span}: no month lies outside its limits, and no run of months "
                    f"on one side ({plain(chart.method)} chart, {counted(len(rows), 'month')}, "
                    f"centre {figure(chart.centre)}).",
                    data=answer.data(),
                )
            )
        ]
    months = [
        Month(
            short_month(row["month"]),
            row.get("value"),
            row.get("low_limit"),
            row.get("high_limit"),
            "too few"
            if row.get("value") is None
            else f"{figure(row['value'])}, {count(row['events'])} in {count(row.get('exposure') or row['n'])}",
            row.get("signal") is not None,
        )
        for row in chart.rows
    ]
    title = f"{usual.title}, {span}: {counted(len(told), 'signal')}"
    wide, narrow = theme.both(
        lambda width: process(
            months, (chart.centre, f"Centre {figure(chart.centre)}"), width, axis=f"{usual.title}, by month"
        )
    )
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. {' '.join(f'{t}.' for t in told)}",
            wide=wide,
            narrow=narrow,
            caption=" ".join([*(f"{capital(t)}." for t in told), *(plain(n) for n in chart.notes)]),
            data=answer.data(),
        ),
        Table(
            id=f"{id}-table",
            caption=f"{usual.title} by month, the latest first",
            heads=("Month", "Figure", "Events", "Of", "Limits", "Signal"),
            lines=tuple(
                Line(
                    (
                        words.value("month", row["month"]),
                        figure(row["value"]) if row.get("value") is not None else "none",
                        count(row["events"]) if row.get("events") is not None else "\u2013",
                        count(row.get("exposure") or row["n"]) if row.get("n") else "\u2013",
                        f"{figure(row['low_limit'] or 0)} to {figure(row['high_limit'])}"
                        if row.get("high_limit") is not None
                        else "\u2013",
                        plain(row.get("signal") or ""),
                    ),
                    answer.data(row),
                )
                for row in reversed(chart.rows)
            ),
            numeric=frozenset({1, 2, 3, 4}),
            data=answer.data(),
            folded=True,
            file=File(id, tuple(dict.fromkeys(k for row in chart.rows for k in row)), chart.rows),
        ),
    ]


def _set(text: str) -> str:
    """A signal's words in a page's type: months by name."""
    return " ".join(short_month(word.rstrip(":")) + ":" * word.endswith(":") for word in plain(text).split(" "))


SUM_HEADS = (
    "More than expected: sum nearest to its limit, limit",
    "Fewer: sum nearest to its limit, limit",
    "Limit passed on",
)


def sums(words: Words, id: str, answers: Sequence[Answer], *, caption: str, event: str) -> list[Part]:
    """Risk-adjusted CUSUMs as a table, a line a group, groups in the order of their names; never a ranking."""
    told = [answer for answer in answers if not answer.missing]
    lines, rows = [], []
    for answer in told:
        (by,) = answer.by
        for row in order(words, answer, answer.rows):
            name = words.value(by, row[by])
            name = name if by == "dentist" else f"{capital(group_title(by))}: {name}"
            if row.get("too_few"):
                cells: tuple[str, ...] = (name, TOO_FEW, *("\u2013",) * 5)
            else:
                cells = (
                    name,
                    count(row["n"]),
                    count(row["events"]),
                    number(row["expected"], 1),
                    *sums_and_limits(row),
                    signal_words(row),
                )
            lines.append(Line(cells, answer.data(row)))
            rows.append({"by": by, "group": row[by], **{k: v for k, v in row.items() if k != by}})
    if not lines:
        return [cannot(answers[0])] if answers and answers[0].missing else [prose(f"{caption}: nothing to count.")]
    return [
        Table(
            id=id,
            caption=caption,
            heads=("Whose", "Teeth", capital(event), "Expected", *SUM_HEADS),
            lines=tuple(lines),
            numeric=frozenset({1, 2, 3, 4, 5}),
            records=True,
            data=told[0].data(),
            note=" ".join(plain(note) for note in told[0].result.notes),
            file=File(id, tuple(dict.fromkeys(k for row in rows for k in row)), rows),
        )
    ]


def sums_and_limits(row: Mapping[str, Any]) -> tuple[str, str]:
    """`2.1, 4.7` of the sum of more than expected, and of that of fewer; a dash where none came since."""

    def side(suffix: str) -> str:
        if row.get(f"limit{suffix}") is None:
            return "\u2013"
        return f"{number(row[f'highest{suffix}'], 1)}, {number(row[f'limit{suffix}'], 1)}"

    return side(""), side("_down")


def signal_words(row: Mapping[str, Any]) -> str:
    """`2 May 2026: more than expected`, or `not passed`; and what was answered, with its note."""
    said = [
        f"{short_day(_day(row[key]))}: {side}"
        for key, side in (("up_on", "more than expected"), ("down_on", "fewer than expected"))
        if row.get(key)
    ]
    since = ", since the answer" if row.get("answered_on") else ""
    text = "; ".join(said) + since if said else f"not passed{since}"
    if not row.get("answered_on"):
        return text
    was = (
        f"{short_day(_day(row['answered_signal_on']))}: {plain(row['answered_signal'])}, answered "
        if row.get("answered_signal_on")
        else "Started again "
    )
    return f"{capital(text)}. {was}{short_day(_day(row['answered_on']))}: {plain(row['answer'])}"


def passed_words(row: Mapping[str, Any]) -> str:
    """`the sum of more than expected passes its limit on 2 May 2026`, or that both sums stay within theirs."""
    said = [
        f"the sum of {side} passes its limit on {day(_day(row[key]))}"
        for key, side in (("up_on", "more than expected"), ("down_on", "fewer than expected"))
        if row.get(key)
    ]
    if row.get("answered_on"):
        since = f"since the answer of {day(_day(row['answered_on']))} "
        if row.get("limit") is None:
            return f"no tooth {since}yet".strip()
        return since + (" and ".join(said) or "both sums stay within their limits")
    return " and ".join(said) or "both sums stay within their limits"


def _day(value: Any) -> date:
    return value if isinstance(value, date) else date.fromisoformat(str(value)[:10])
