"""Months, periods and groups that stand out from what was usual."""

from __future__ import annotations

from reports.blocks import Sentence
from reports.series import Series
from reports.source import Answer
from reports.words import Words, capital, group_title, series


def month_signal(
    words: Words, answer: Answer, found: Series | None, href: str, *, runs: bool = True
) -> Sentence | None:
    """A month outside the limits of the months before, or, with `runs`, one at the end of a long run.

    Of many figures some have a run by chance alone: `runs` is for the few that a page draws.
    """
    if answer.missing or found is None or found.values[-1] is None:
        return None
    row = answer.find(month=found.months[-1]) or {}
    places = words.decimals(answer.result)
    name = (
        f"{answer.title} in {words.value('month', found.months[-1])}: {words.full(answer.result, row, answer.measure)}"
    )
    data = answer.data(row)
    if found.now:
        limit = found.high if "above" in found.now else found.low
        return Sentence(
            f"{name}, {found.now} of the months before ({words.figure(answer.result, limit, places)}).", href, data
        )
    if runs and found.signals:
        mean = words.figure(answer.result, found.centre, places)
        what = capital(found.signals[0].replace("mean", f"mean of {mean}", 1))
        text = f"{name}. {what}: the level may have shifted."
        return Sentence(text, href, data)
    return None


def rate_apart(words: Words, answer: Answer, earlier: Answer, href: str, period: str, before: str) -> Sentence | None:
    """A rate whose interval lies wholly above the earlier rate."""
    if answer.missing or earlier.missing or not answer.shown or not earlier.shown:
        return None
    row, usual = answer.shown[0], earlier.shown[0]
    low, high = row.get("low"), row.get("high")
    if low is None or high is None or low <= usual["estimate"]:
        return None
    text = (
        f"{answer.title}, {period}: {words.full(answer.result, row, answer.measure)}. "
        f"The whole interval lies above the figure of {before}: {words.full(earlier.result, usual, earlier.measure)}."
    )
    return Sentence(text, href, answer.data(row))


def events_seen(words: Words, answer: Answer, earlier: Answer, href: str, period: str, before: str) -> Sentence | None:
    """Events that happened in the period, stated even if they are no more than usual."""
    if answer.missing or not answer.rows:
        return None
    row = answer.rows[0]
    if not row.get("events"):
        return None
    text = f"{answer.title}, {period}: {words.full(answer.result, row, answer.measure)}."
    usual = earlier.shown[0] if earlier.shown else None
    if usual and row["low"] <= usual["estimate"] <= row["high"]:
        was = words.figure(earlier.result, usual["estimate"])
        text += f" The interval holds the figure of {before}, {was}: no change is shown."
    return Sentence(text, href, answer.data(row))


def groups_apart(words: Words, answer: Answer, overall: Answer, href: str) -> list[Sentence]:
    """Groups (never people) whose interval lies wholly above the figure of all."""
    if answer.missing or overall.missing or not overall.shown or "dentist" in answer.by:
        return []
    usual = overall.shown[0]
    found = []
    for row in answer.shown:
        if row.get("low") is not None and row["low"] > usual["estimate"]:
            what = series([f"{group_title(b)} \u201c{words.value(b, row.get(b))}\u201d" for b in answer.by])
            text = (
                f"{answer.title}, {what}: {words.full(answer.result, row, answer.measure)}, "
                f"above the figure of all: {words.full(overall.result, usual, overall.measure)}. Case mix may differ."
            )
            found.append(Sentence(text, href, answer.data(row)))
    return found
