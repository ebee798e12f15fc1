"""Treatments that were begun and not finished."""

from __future__ import annotations

from reports.blocks import Sentence
from reports.source import Answer
from reports.words import counted, day

# A treatment begun longer ago is hardly still under way: it was broken off, or its end was not recorded. Common
# practice, no source.
OLD_DAYS = 365


def unfinished(answer: Answer, href: str) -> Sentence | None:
    """Treatments begun more than `OLD_DAYS` ago and still in progress; `answer` counts those begun by its end."""
    if answer.missing or not answer.shown or not answer.end:
        return None
    row = answer.shown[0]
    n = row.get("events") or 0
    if not n:
        return None
    return Sentence(
        f"{counted(n, 'treatment')} begun by {day(answer.end)} {'is' if n == 1 else 'are'} recorded as still in "
        "progress: broken off, or the end was not recorded.",
        href,
        answer.data(row),
    )
