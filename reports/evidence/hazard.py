"""The hazard by use number against the practice's own limit, and its table."""

from __future__ import annotations

from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.hazard import Use, hazard
from reports.evidence.common import cannot, counting, csv_file
from reports.source import Answer
from reports.words import TOO_FEW, Words, count, counted

# Fewer, or a smaller part of all instruments, make an interval so wide that it hides the others; they stand in the
# table. Common practice, no source.
FEWEST_AT_USE = 30
SMALLEST_PART = 0.05


def by_use(words: Words, id: str, answer: Answer) -> list[Part]:
    """The chart, what it says of the practice's limit, and the table."""
    if answer.missing:
        return [cannot(answer)]
    rows = [row for row in answer.rows if row.get("at_risk") and not row.get("too_few")]
    told = [row for row in rows if row["estimate"] is not None]
    if not told:
        return [prose(f"{answer.title}: too few instruments to show.")]
    if not any(row["events"] for row in rows):
        return [
            prose(
                Sentence(
                    f"No instrument of {count(rows[0]['n'])} separated or deformed. None seen is not none to come.",
                    data=answer.data(rows[0]),
                )
            )
        ]

    def text(row: dict[str, Any]) -> str:
        if row["estimate"] is None:
            return TOO_FEW
        return words.with_interval(answer.result, row, 1)

    uses = [
        Use(
            int(row["time"]),
            row["at_risk"],
            row["estimate"],
            row["low"],
            row["high"],
            f"Use {count(row['time'])}: {text(row)}, {count(row['events'])} of {count(row['at_risk'])}",
            row.get("smooth"),
        )
        for row in told
    ]
    drawn = [u for u in uses if u.n >= max(FEWEST_AT_USE, SMALLEST_PART * uses[0].n)] or uses
    worst = max((row for row in told if row["at_risk"] >= drawn[-1].n), key=lambda row: row["low"])
    title = f"{answer.title}: the lower bound is highest at use {count(worst['time'])}, {text(worst)}"
    limit = rows[0].get("limit")
    line = (limit, f"own limit {words.figure(answer.result, limit, 1)}") if limit is not None else None
    wide, narrow = theme.both(
        lambda width: hazard(
            drawn, width, axis="Use of the instrument", share="Share of those that came to the use", limit=line
        )
    )
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. {'; '.join(u.text for u in uses)}.",
            wide=wide,
            narrow=narrow,
            caption=f"{plain(answer.measure.caption)} Bars are {words.interval}s."
            + (" Uses that few instruments came to are not drawn; the table has them." if drawn != uses else ""),
            data=answer.data(),
        ),
        prose(of_the_limit(words, answer, rows[0])),
        Table(
            id=f"{id}-table",
            caption=answer.title,
            heads=("Use", "Came to it", "Separated or deformed in it", f"Share ({words.interval})"),
            lines=tuple(
                Line((count(row["time"]), count(row["at_risk"]), count(row["events"]), text(row)), answer.data(row))
                for row in rows
            ),
            numeric=frozenset({1, 2, 3}),
            data=answer.data(),
            note=counting(answer),
            file=csv_file(id, answer),
            folded=len(rows) > 10,
        ),
    ]


def of_the_limit(words: Words, answer: Answer, row: dict[str, Any]) -> Sentence:
    """After how many uses even the lower bound passes the practice's own limit, or that it has set none."""
    data = answer.data(row)
    if row.get("limit") is None:
        return Sentence(
            "The settings give no limit of this share (a standard of instrument_hazard), so the uses are held against "
            "none.",
            data=data,
        )
    limit = words.figure(answer.result, row["limit"], 1)
    within = row.get("uses_within_limit")
    if within is None:
        return Sentence(
            f"At no use does the lower bound pass the practice's own limit of {limit}: none is shown to be beyond it.",
            data=data,
        )
    return Sentence(
        f"Beyond {counted(within, 'use')} even the lower bound of the share passes the practice's own limit of "
        f"{limit}. A figure to review that limit and the use limits with, not one to discard an instrument by.",
        data=data,
    )
