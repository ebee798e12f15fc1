"""What the practice set itself: standards, its own sequence, its limit for instruments."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.output.text import plain
from reports.attention.recall import OWN_REASON
from reports.blocks import Sentence
from reports.evidence.standards import figure_text, target_text
from reports.evidence.work import held_to
from reports.source import Answer
from reports.words import Words, count, counted

# A check is said to be kept too seldom when its whole interval lies below this share; common practice, no source. A
# practice that wants another line sets a standard.
LOW_ADHERENCE = 0.8


def not_met(words: Words, answer: Answer, catalogue: Mapping[str, Any], href: str) -> list[Sentence]:
    """Standards that the whole interval lies on the wrong side of, and those that got worse since the last audit."""
    if answer.missing:
        return []
    found = []
    for row in answer.rows:
        missed, worse = row["verdict"] == "not met", row.get("trend") == "worse"
        if not missed and not worse:
            continue
        verdict = "not met" if missed else f"{plain(row['verdict'])}, but worse than before the last audit"
        if missed and worse:
            verdict += ", and worse than before the last audit"
        of_pai = row.get("measure") in ("preop_pai_recorded", "follow_up_pai_recorded")
        found.append(
            Sentence(
                f"{plain(row['title'])}, standard {target_text(words, row, catalogue)}: "
                f"{figure_text(words, row, catalogue)}; {verdict}.{f' {OWN_REASON}' if of_pai else ''}",
                href,
                answer.data(row),
            )
        )
    return found


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


def seldom_kept(words: Words, answer: Answer, href: str) -> list[Sentence]:
    """Checks of the practice's own sequence that are met in fewer canals than `LOW_ADHERENCE`."""
    if answer.missing:
        return []
    return [
        Sentence(
            f"{answer.title}, {plain(row['check'])}: met in {words.with_interval(answer.result, row, 0)} of "
            f"{counted(row['n'], 'canal')} of which it is recorded.",
            href,
            answer.data(row),
        )
        for row in answer.shown
        if row.get("high") is not None and row["high"] < LOW_ADHERENCE
    ]


def hazard_beyond(words: Words, answer: Answer, href: str) -> Sentence | None:
    """The number of uses beyond which even the lower bound of the hazard passes the practice's own limit."""
    rows = [row for row in answer.rows if row.get("uses_within_limit") is not None]
    if answer.missing or not rows:
        return None
    within = rows[0]["uses_within_limit"]
    row = next(r for r in rows if r["time"] == within + 1)
    return Sentence(
        f"{answer.title}: at use {count(within + 1)} even the lower bound passes the practice's own limit of "
        f"{words.figure(answer.result, row['limit'], 1)}: {words.with_interval(answer.result, row, 1)}, "
        f"{count(row['events'])} of {count(row['at_risk'])} instruments.",
        href,
        answer.data(row),
    )
