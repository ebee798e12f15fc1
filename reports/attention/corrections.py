"""Figures that read otherwise since the last import."""

from __future__ import annotations

from collections.abc import Sequence

from reports.blocks import Sentence
from reports.evidence.corrections import Change
from reports.words import counted, month


def changed(found: Sequence[Change], href: str) -> Sentence | None:
    """Figures of months that were over which the last import changed; the newest of them is told.

    It speaks when a figure is written differently at all: a reader may have acted on the earlier one.
    """
    if not found:
        return None
    first = found[0]
    one = len(found) == 1
    read = f"{counted(len(found), 'figure')} of earlier months {'reads' if one else 'read'} otherwise"
    return Sentence(
        f"Since the last import {read}{': ' if one else '. The newest: '}{first.title} in {month(first.month)} was "
        f"{first.was.text}; now it is {first.now.text}.",
        href,
        first.now.data,
    )
