"""Gaps between rare events: the charts of canals and of days from each to the next, and the table."""

from __future__ import annotations

from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.gaps import Gap, gaps
from reports.charts.individuals import Limits
from reports.evidence.common import cannot, counting, csv_file
from reports.source import Answer
from reports.words import Words, capital, count, counted, number, short_day, short_month


def between_events(words: Words, id: str, answer: Answer, *, event: str, unit: str) -> list[Part]:
    """The figure in a sentence, a chart of canals and one of days between events, and the table of gaps.

    `event` is one of what the gaps lie between, `unit` one of what is counted between them.
    """
    if answer.missing:
        return [cannot(answer)]
    rows = [row for row in answer.rows if not row.get("too_few")]
    if not rows:
        return [prose(f"{answer.title}: too few {unit}s to show.")]
    head, last = rows[0], rows[-1]
    if not head["events"]:
        bound = f", so fewer than one {event} in {number(head['low'])} {unit}s is likely" if head["low"] else ""
        return [
            prose(
                Sentence(
                    f"No {event} on record in {counted(head['n'], unit)}{bound}. None seen is not none to come.",
                    data=answer.data(head),
                )
            )
        ]
    rate = number(head["estimate"], 0 if head["estimate"] >= 10 else 1)
    parts: list[Part] = [
        prose(
            Sentence(
                f"One {event} in {rate} {unit}s ({words.interval} {words.bounds(answer.result, head, 0)}; "
                f"{counted(head['events'], event)} in {counted(head['n'], unit)}).",
                data=answer.data(head),
            ),
            Sentence(
                f"Since the last, on {short_day(last['from'])}: {counted(last['canals'], unit)}, "
                f"{counted(last['days'], 'day')}.",
                data=answer.data(last),
            ),
        )
    ]
    note = plain(answer.measure.caption)
    for which, what in (("canals", f"{capital(unit)}s"), ("days", "Days")):
        if len(rows) < FEWEST_DRAWN:
            break
        parts.append(_chart(answer, f"{id}-{which}", rows, which, f"{what} between {event}s", event, note))
        note = ""
    if len(rows) < FEWEST_DRAWN:
        parts.append(prose(f"Fewer than {FEWEST_DRAWN - 2} gaps between {event}s: no chart.", note=True))
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"Gaps between {event}s, the latest first",
            heads=("From", "To", f"{capital(unit)}s", "Days", "What asks for a look"),
            lines=tuple(
                Line(
                    (
                        short_day(row["from"]) if row["gap"] != "before the first" else "start of the records",
                        short_day(row["to"]) if row["to"] else "end of the records",
                        _at_least(row, "canals"),
                        _at_least(row, "days"),
                        capital(plain(row["signal"] or "")),
                    ),
                    answer.data(row),
                )
                for row in reversed(rows)
            ),
            numeric=frozenset({2, 3}),
            data=answer.data(),
            folded=True,
            note=counting(answer),
            file=csv_file(id, answer),
        )
    )
    return parts


FEWEST_DRAWN = 6  # gaps, the two open ones included, below which a chart shows nothing; common practice, no source


def signals_of(row: dict[str, Any], which: str) -> list[str]:
    """What a gap's signals say of canals, or of days."""
    return [said for said in plain(row.get("signal") or "").split("; ") if which in said]


def _chart(answer: Answer, id: str, rows: list[dict[str, Any]], which: str, what: str, event: str, note: str) -> Figure:
    head = rows[0]
    found = []
    for row in rows:
        said = signals_of(row, which)
        ended = row["to"] or answer.as_of
        alone = said and not any("long run" in s or "rarely" in s for s in said)
        found.append(
            Gap(
                float(row[which]),
                short_month(f"{ended:%Y-%m}"),
                f"To {short_day(ended)}: {_at_least(row, which)} {which}{''.join(f'; {s}' for s in said)}",
                bool(row["at_least"]),
                bool(said),
                short_month(f"{ended:%Y-%m}") if alone else "",
            )
        )
    marked = [row for row in rows if signals_of(row, which)]
    closed = [row for row in rows if not row["at_least"]]
    title = f"{what}: {counted(len(closed), 'gap')}, " + (
        f"{count(len(marked))} marked for a look" if marked else "none stands out"
    )
    centre, high, low = head[f"{which}_centre"], head[f"{which}_high"], head.get(f"{which}_low")
    limits = (
        Limits(
            (centre, f"Centre {number(centre)}"),
            None if low is None else (low, f"Lower limit {number(low)}"),
            None if high is None else (high, f"Upper limit {number(high)}"),
        )
        if centre is not None
        else None
    )
    wide, narrow = theme.both(
        lambda width: gaps(found, limits, width, axis=what, order=f"{capital(event)}s in their order")
    )
    last = rows[-1]
    said = [f"{short_day(r['to'] or answer.as_of)}: {', '.join(signals_of(r, which))}" for r in marked[-8:]]
    lines = "" if limits is None else f" Centre {number(centre)}" + (f", upper limit {number(high)}." if high else ".")
    tentative = " Fewer than 12 gaps: the limits are tentative." if head["tentative"] else ""
    return Figure(
        id=id,
        title=title,
        alt=f"{title}.{lines} Since the last: {_at_least(last, which)}."
        + (f" Marked, the latest: {'; '.join(said)}." if said else ""),
        wide=wide,
        narrow=narrow,
        caption=(note or "As above, in days.") + f"{tentative} Triangles: gaps only known to be at least so long. "
        "A mark asks for a look and says nothing of the cause.",
        data=answer.data(),
    )


def _at_least(row: dict[str, Any], which: str) -> str:
    return f"at least {count(row[which])}" if row["at_least"] else count(row[which])
