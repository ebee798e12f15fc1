"""What was asked for, check by check: met, not met and not recorded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.adherence import Check, adherence
from reports.evidence.common import cannot, counting, csv_file, left_out
from reports.source import Answer
from reports.words import Words, capital, count


def by_check(words: Words, id: str, answer: Answer, *, order: Sequence[str] = ()) -> list[Part]:
    """The bars of all checks and their table; `order` is that in which a canal is prepared."""
    if answer.missing:
        return [cannot(answer)]
    place = {check: i for i, check in enumerate(order)}
    rows = sorted(
        (row for row in answer.rows if row.get("check") is not None),
        key=lambda row: (place.get(row["check"], len(place)), str(row["check"])),
    )
    if not rows:
        why, what = left_out(answer), "`canalwise measure adherence` says what to write into the settings."
        return [prose(f"{answer.title}: nothing to check. {f'{why} {what}' if why else ''}".strip())]
    shown = [row for row in rows if row.get("n") is not None and not row.get("too_few")]

    def text(row: dict[str, Any]) -> str:
        blank = row.get("not_recorded") or 0
        figure = words.with_interval(answer.result, row, 0) if row["n"] else "nothing recorded"
        return f"{figure} of {count(row['n'])}" + (f"; not recorded {count(blank)}" if blank else "")

    parts: list[Part] = []
    drawn = [row for row in shown if row["n"] or row.get("not_recorded")]
    if drawn:
        checks = [
            Check(
                capital(plain(row["check"])),
                row["events"],
                row["n"] - row["events"],
                row.get("not_recorded") or 0,
                row.get("low"),
                row.get("high"),
                text(row),
            )
            for row in drawn
        ]
        known = [row for row in drawn if row["n"]]
        ends = sorted(known, key=lambda row: row["estimate"])
        title = answer.title
        if len(known) > 1:
            title += (
                f": met from {words.figure(answer.result, ends[0]['estimate'], 0)} ({plain(ends[0]['check'])}) to "
                f"{words.figure(answer.result, ends[-1]['estimate'], 0)} ({plain(ends[-1]['check'])})"
            )
        wide, narrow = theme.both(lambda width: adherence(checks, width, axis="Canals to which the check applies"))
        parts.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. {'; '.join(f'{c.label}: {c.text}' for c in checks)}.",
                wide=wide,
                narrow=narrow,
                caption=plain(answer.measure.caption or ""),
                data=answer.data(),
            )
        )
    parts.append(
        Table(
            id=f"{id}-table",
            caption=f"{answer.title}, check by check",
            heads=("Check", f"Met, of those recorded ({words.interval})", "Met", "Not met", "Not recorded"),
            lines=tuple(
                Line(
                    (
                        capital(plain(row["check"])),
                        words.with_interval(answer.result, row, 0),
                        *(
                            (count(row["events"]), count(row["n"] - row["events"]), count(row.get("not_recorded") or 0))
                            if row in shown
                            else ("\u2013",) * 3
                        ),
                    ),
                    answer.data(row),
                )
                for row in rows
            ),
            numeric=frozenset({1, 2, 3, 4}),
            data=answer.data(),
            note=counting(answer),
            folded=len(rows) > 10,
            file=csv_file(id, answer),
        )
    )
    return parts


def indication(words: Words, answer: Answer) -> list[Part]:
    """Canals outside their sequence's indication, in a sentence, or that it cannot be told."""
    if answer.missing:
        return [cannot(answer)]
    row = answer.rows[0] if answer.rows else {}
    if not row.get("n") or row.get("too_few"):
        return [prose(Sentence(f"{answer.title}: no canal of which it can be told.", data=answer.data(row)))]
    why = f"{count(row['too_curved'])} too curved, {count(row['other_width'])} of another width"
    return [
        prose(
            Sentence(
                f"{answer.title}: {words.full(answer.result, row, answer.measure)}; outside are "
                f"{count(row['n'] - row['events'])} ({why}), not told {count(row['not_recorded'])}.",
                data=answer.data(row),
            )
        )
    ]
