"""Data that were refused, are missing, or are old."""

from __future__ import annotations

from typing import Any

from reports.blocks import Sentence
from reports.source import Answer, Source
from reports.words import count, counted, day, plain, series

# Without an import for so long a monthly review lacks a month; common practice, no source.
STALE_DAYS = 45


def refused(answer: Answer, href: str) -> Sentence | None:
    """Records in quarantine."""
    if answer.missing:
        return None
    n = sum(row.get("rows_refused") or 0 for row in answer.rows)
    if not n:
        return None
    return Sentence(
        f"{counted(n, 'refusal')} of records in quarantine: refused rows count in no figure until they are mended.",
        href,
        {**answer.data(), "n": str(n)},
    )


def stale(as_of: Any, today: Any, href: str) -> Sentence | None:
    """Data that end long ago."""
    if (today - as_of).days <= STALE_DAYS:
        return None
    return Sentence(
        f"The newest record is of {day(as_of)}, {count((today - as_of).days)} days before this report.", href
    )


def unanswered(source: Source, href: str) -> list[Sentence]:
    """Measures that cannot be computed, by name."""
    found = []
    for name, missing in source.unanswered.items():
        measure = source.catalogue.get(name)
        title = plain(measure.title) if measure else name.replace("_", " ")
        found.append(Sentence(f"{title} cannot be computed: {series(missing)}.", href, {"measure": name}))
    return found
