"""Instruments: those beyond their limit, those that cannot be traced, and a stock that will not last."""

from __future__ import annotations

from reports.blocks import Sentence
from reports.source import Answer
from reports.words import Words, count, counted, days, series

# Days within which instruments ordered now may not be there yet; common practice, no source.
LEAD_DAYS = 30


def stock_short(words: Words, answer: Answer, href: str) -> Sentence | None:
    """Sizes whose stock, taken as in the months before, is used up within `LEAD_DAYS`; the shortest first."""
    if answer.missing:
        return None
    rows = {row["size"]: row for row in answer.shown if row.get("days_left") is not None and row["size"] is not None}
    short = sorted((row for row in rows.values() if row["days_left"] < LEAD_DAYS), key=lambda row: row["days_left"])
    if not short:
        return None
    named = [
        f"size {words.value('size', row['size'])} ({count(row['in_stock'])} left, {days(row['days_left'])})"
        for row in short
    ]
    text = (
        f"{counted(len(short), 'instrument size')} will run out within {count(LEAD_DAYS)} days if taken as in the "
        f"months before: {series(named)}."
    )
    return Sentence(text, href, answer.data(short[0]))
