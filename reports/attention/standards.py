"""Standards of the practice that a reader's own figures do not meet."""

from __future__ import annotations

from typing import Any

from reports.blocks import Sentence
from reports.evidence.work import held_to
from reports.source import Answer
from reports.words import Words


def own_not_met(words: Words, standard: Any, answer: Answer, href: str) -> Sentence | None:
    """An own figure whose whole interval lies on the other side of a standard."""
    row = answer.rows[0] if answer.rows else None
    if answer.missing or row is None or held_to(standard, row) != "not met":
        return None
    target = words.figure(answer.result, standard.target)
    text = (
        f"{answer.title}, own records: {words.full(answer.result, row, answer.measure)}. The practice's standard is "
        f"{standard.direction} {target}: the whole interval lies on the other side."
    )
    return Sentence(text, href, answer.data(row))
