"""Data that were refused, are missing, or are old."""

from __future__ import annotations

from typing import Any

from pipeline.output.text import plain
from reports.blocks import Sentence
from reports.evidence.common import reasons_words
from reports.source import Answer, Source
from reports.words import TOO_FEW, capital, count, counted, day, series

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


def unrecorded(answer: Answer, href: str, period: str) -> Sentence | None:
    """A figure that leaves out more units than it counts: what it says of the month is said of the lesser part."""
    if answer.missing:
        return None
    left = sum(item["n"] for item in answer.result.left_out)
    row = answer.rows[0] if answer.rows else None
    few = bool(row and row.get("too_few"))
    n = (row or {}).get("n") or 0
    if not left or (left <= n and not few):
        return None
    said = TOO_FEW if few else count(n)
    return Sentence(
        f"{answer.title}, {period}: more are left out ({count(left)}) than counted ({said}). "
        f"{capital(reasons_words(answer.result.left_out))}.",
        href,
        answer.data(row),
    )


def unanswered(source: Source, href: str) -> list[Sentence]:
    """Measures that cannot be computed, by name."""
    found = []
    for name, missing in source.unanswered.items():
        measure = source.catalogue.get(name)
        title = plain(measure.title) if measure else name.replace("_", " ")
        found.append(Sentence(f"{title} cannot be computed: {series(missing)}.", href, {"measure": name}))
    return found
