"""This import against the last: how many records it corrected, and which figures of earlier months read otherwise."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipeline.output.text import plain
from reports.blocks import File, Line, Part, Sentence, Table, prose
from reports.evidence.common import cannot, csv_file
from reports.evidence.records import kind_words, plain_column
from reports.source import Answer
from reports.words import Words, count, counted, day, series

NONE = "The last import corrected no earlier record."


@dataclass(frozen=True)
class Change:
    """A figure of a month as it was known before the last import, and as it is known now."""

    month: str
    was: Sentence
    now: Sentence
    title: str


def corrected_by_last(answer: Answer) -> Sentence:
    """How many records the last import replaced by other ones, by kind; `answer` is the measure `corrections`."""
    if answer.missing:
        return Sentence(f"{answer.title} cannot be computed: {series(answer.missing)}.", data={"measure": answer.name})
    replaced = {(r["record_kind"], r["source_file"]): r["records_replaced"] for r in answer.rows}
    if not replaced:
        return Sentence(NONE, data=answer.data())
    kinds: dict[str, int] = {}
    for (kind, _), n in replaced.items():
        kinds[kind] = kinds.get(kind, 0) + n
    n = sum(kinds.values())
    named = series([f"{plain(kind).replace('_', ' ')} {count(k)}" for kind, k in kinds.items()])
    return Sentence(
        f"The last import, of {day(answer.rows[0]['imported_on'])}, corrected {counted(n, 'earlier record')}: {named}.",
        data={**answer.data(), "n": str(n)},
    )


def changes(words: Words, pairs: Sequence[tuple[Answer, Answer]], reach: date) -> list[Change]:
    """Figures by month that read otherwise than before the last import, the newest month first.

    Each pair is one question by month, answered from what is known now and from what was known before. Only months that
    were over by `reach`, the end of the records known before, are compared: those after it were simply not there yet.
    """
    found = []
    for now, was in pairs:
        if now.missing or was.missing:
            continue
        places = words.decimals(now.result)
        months = {row["month"] for answer in (now, was) for row in answer.rows if row["month"] is not None}
        for month in months:
            if _end(month) > reach:
                continue
            rows = [answer.find(month=month) for answer in (was, now)]
            texts = [words.with_n(now.result, row, places) if row else "no figure" for row in rows]
            if texts[0] != texts[1]:
                said = [Sentence(t, data=a.data(r)) for t, a, r in zip(texts, (was, now), rows, strict=True)]
                found.append(Change(month, said[0], said[1], now.title))
    return sorted(found, key=lambda change: change.month, reverse=True)


def _end(month: str) -> date:
    """The last day of a month written `2026-06`."""
    year, number = int(month[:4]), int(month[5:7])
    return date(year, number, monthrange(year, number)[1])


def against_last(words: Words, id: str, answer: Answer, found: Sequence[Change], compared: bool) -> list[Part]:
    """What the last import corrected, and the figures that read otherwise since; silent tables where nothing did."""
    if answer.missing:
        return [cannot(answer)]
    if not answer.rows:
        return [prose(corrected_by_last(answer))]
    parts: list[Part] = []
    if not compared:
        said = "Before it the store held nothing to compare figures with."
    elif found:
        read = "reads" if len(found) == 1 else "read"
        said = (
            f"{counted(len(found), 'key figure')} of months that were over before it {read} otherwise since, by "
            "records that were corrected or came late."
        )
    else:
        said = "No key figure of a month that was over before it reads otherwise since."
    parts.append(prose(corrected_by_last(answer), said))
    if found:
        parts.append(
            Table(
                id=f"{id}-figures",
                caption=f"Figures of earlier months before and since the last import; in brackets {words.interval}s",
                heads=("Month", "Figure", "Was", "Is now"),
                lines=tuple(Line((words.value("month", c.month), c.title, c.was, c.now)) for c in found),
                numeric=frozenset({2, 3}),
                records=True,
                folded=len(found) > 12,
                file=File(
                    f"{id}-figures",
                    ("month", "figure", "was", "is_now"),
                    [{"month": c.month, "figure": c.title, "was": c.was.text, "is_now": c.now.text} for c in found],
                ),
            )
        )
    columns: list[tuple[str, Callable[[dict[str, Any]], str]]] = [
        ("Records", lambda row: kind_words(row["record_kind"])),
        plain_column(words, "File", "source_file"),
        ("What was changed", lambda row: plain(row["changed_column"]).replace("_", " ")),
        ("In records", lambda row: count(row["records_changed"])),
        ("Of records replaced", lambda row: count(row["records_replaced"])),
    ]
    parts.append(
        Table(
            id=f"{id}-table",
            caption="Records that the last import corrected",
            heads=tuple(head for head, _ in columns),
            lines=tuple(Line(tuple(text(row) for _, text in columns)) for row in answer.rows),
            numeric=frozenset({3, 4}),
            records=True,
            data={**answer.data(), "n": str(len(answer.rows))},
            folded=len(answer.rows) > 6,
            note="A record with several columns changed stands in several lines.",
            file=csv_file(id, answer),
        )
    )
    return parts
