"""Losses by their reason, and healing, over the time since completion."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.healing import By
from reports.charts.healing import healing as drawn
from reports.evidence.common import cannot, csv_file, left_out
from reports.evidence.survival import FEWEST_FOLLOWED
from reports.source import Answer
from reports.words import Words, capital, count, series


def losses(words: Words, id: str, answer: Answer, at: Sequence[float]) -> list[Part]:
    """Share of teeth lost by some times, each reason in a column: one tooth is lost for one reason only."""
    if answer.missing:
        return [cannot(answer)]
    causes = list(dict.fromkeys(row["cause"] for row in answer.shown))
    lines = []
    for time in at:
        rows = {row["cause"]: row for row in answer.shown if row["time"] == time}
        if len(rows) < len(causes) or not rows or min(r["at_risk"] for r in rows.values()) < FEWEST_FOLLOWED:
            continue
        cells = [Sentence(words.with_interval(answer.result, rows[c]), data=answer.data(rows[c])) for c in causes]
        lines.append(Line((count(time), *cells, count(rows[causes[0]]["at_risk"]))))
    if not lines:
        return [prose(f"{answer.title}: too few teeth were followed for long enough.")]
    return [
        Table(
            id=id,
            caption="Teeth lost, by reason: of all own teeth followed, those lost for one reason can no longer be lost "
            "for another",
            heads=("After, months", *(f"{capital(c)} ({words.interval})" for c in causes), "Still followed"),
            lines=tuple(lines),
            numeric=frozenset(range(1, len(causes) + 2)),
            data=answer.data(),
            records=True,
            note=f"{plain(answer.measure.caption or '')} {_until()} {left_out(answer)}".strip(),
            file=csv_file(id, answer),
        )
    ]


def healing(words: Words, id: str, answer: Answer, at: Sequence[float]) -> list[Part]:
    """Share of teeth with a lesion that had healed by some times: the curve, and what visits leave open."""
    if answer.missing:
        return [cannot(answer)]
    rows = [row for row in answer.rows if row["time"] in at and not row.get("too_few")]
    if not rows:
        return [prose(f"{answer.title}: too few teeth with a lesion were seen again.")]
    caption = plain(answer.measure.caption or "")
    doubts = _doubts(rows)
    lines = []
    for row in rows:
        least, most = (words.figure(answer.result, row[k]) for k in ("at_least", "at_most"))
        cells = (
            count(row["time"]),
            _by_then(words, answer, row),
            least if least == most else f"{least} to {most}",
            words.figure(answer.result, row["turnbull"]),
            count(row["events"]),
        )
        lines.append(Line(cells, answer.data(row)))
    chart = _drawn(words, id, answer, rows, f"{caption} {doubts}".strip())
    said = (doubts, left_out(answer)) if chart else (caption, doubts, left_out(answer))
    return [
        *chart,
        Table(
            id=f"{id}-table",
            caption=f"Teeth with a lesion before treatment: healed by then, of {count(rows[0]['n'])}",
            heads=(
                "After, months",
                f"Healed by then ({words.interval})",
                "What was seen leaves open",
                "Without a shape (Turnbull)",
                "Seen healed",
            ),
            lines=tuple(lines),
            numeric=frozenset({2, 3, 4}),
            data=answer.data(),
            note=" ".join(text for text in said if text),
            file=csv_file(id, answer),
        ),
    ]


def _by_then(words: Words, answer: Answer, row: dict[str, Any]) -> str:
    """`75% (70 to 79%)`, `no curve (60 to 90%)`, or why nothing can be told."""
    if row["estimate"] is not None:
        return words.with_interval(answer.result, row)
    if row["low"] is None:
        return capital(plain(row["not_told"]))
    return f"no curve ({words.bounds(answer.result, row)})"


def _doubts(rows: Sequence[dict[str, Any]]) -> str:
    times = series([count(row["time"]) for row in rows if row["differs"]])
    if not times:
        return ""
    return (
        f"At {times} months, or the visits next to it, the estimate without a shape lies farther from the curve than "
        "chance explains: healing may not follow a smooth curve there, and the interval takes in both."
    )


def _drawn(words: Words, id: str, answer: Answer, rows: Sequence[dict[str, Any]], caption: str) -> list[Part]:
    """The intervals over time; no chart where nothing can be told."""
    told = [row for row in rows if row["low"] is not None]
    if not told:
        return []
    times = [
        By(
            row["time"],
            row["estimate"],
            row["low"],
            row["high"],
            row["at_least"],
            row["at_most"],
            f"{_by_then(words, answer, row)} after {count(row['time'])} months",
        )
        for row in told
    ]
    share = f"Teeth with a lesion before treatment healed by then, of {count(rows[0]['n'])}"
    first = (rows[0]["told_from"], f"first visit at {count(round(rows[0]['told_from'], 1))} months")
    wide, narrow = theme.both(
        lambda width: drawn(
            times, width, axis="Months since completion", share=share, end=max(r["time"] for r in told) + 2, first=first
        )
    )
    title = f"{share}: {next((by for by in reversed(times) if by.estimate is not None), times[-1]).text}"
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. {'; '.join(by.text for by in times)}.",
            wide=wide,
            narrow=narrow,
            caption=f"{caption} Upright bars are {words.interval}s, dashed where no curve can be told; broad ones what "
            "was seen leaves open. Before the first visit nothing can be told.",
            data=answer.data(),
        )
    ]


def _until() -> str:
    return f"Times at which fewer than {FEWEST_FOLLOWED} are still followed are not told."
