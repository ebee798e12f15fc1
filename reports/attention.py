"""What needs attention first: rules that turn results into sentences, each with its figure and where to read more.

A rule states what the figures show and no more; which of them matters is the reader's to judge.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from pipeline.measures.sentence import statement, verdict, words_of
from reports.blocks import Sentence
from reports.evidence.comparison import pair
from reports.series import Series
from reports.source import Answer, Source
from reports.words import MINUS, Words, capital, count, counted, day, group_title, plain, series

NOTHING = Sentence(
    "Nothing needs attention: no figure of this page stands out from what was usual, and no data are missing."
)

LOW_RECALL = (
    0.5  # below this share seen, the unseen could turn an outcome figure either way; common practice, no source
)
STALE_DAYS = 45  # without an import for so long a monthly review lacks a month; common practice, no source


def collect(*groups: Iterable[Sentence | None]) -> tuple[Sentence, ...]:
    """All sentences that there are, each once; `NOTHING` when there are none."""
    kept: dict[str, Sentence] = {}
    for sentence in (s for group in groups for s in group if s is not None):
        kept.setdefault(sentence.whole, sentence)
    return tuple(kept.values()) or (NOTHING,)


def month_signal(words: Words, answer: Answer, found: Series | None, href: str) -> Sentence | None:
    """A month outside the limits of the months before, or at the end of a long run."""
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
    if found.signals:
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


def recall_low(words: Words, answer: Answer, href: str) -> Sentence | None:
    """So few seen again that outcome figures may mislead."""
    if answer.missing or not answer.shown:
        return None
    row = answer.shown[0]
    if row["estimate"] >= LOW_RECALL:
        return None
    text = (
        f"{answer.title}: {words.full(answer.result, row, answer.measure)}. Fewer than half were seen; those not seen "
        "may have done otherwise."
    )
    return Sentence(text, href, answer.data(row))


def overdue(answer: Answer, href: str, whose: str = "") -> Sentence | None:
    """How many are overdue for recall."""
    if answer.missing or not answer.rows:
        return None
    n = len(answer.rows)
    data = {**answer.data(), "n": str(n)}
    open_still = sum(bool(row.get("window_open")) for row in answer.rows)
    more = f"; {count(open_still)} of them can still be seen in time" if open_still else ""
    return Sentence(
        f"{counted(n, 'tooth', 'teeth')}{whose} {'is' if n == 1 else 'are'} due for recall and not seen{more}.",
        href,
        data,
    )


def not_healed(answer: Answer, href: str) -> Sentence | None:
    """How many own cases did not heal."""
    if answer.missing or not answer.rows:
        return None
    n = len(answer.rows)
    one = "case did not heal and is" if n == 1 else "cases did not heal and are"
    return Sentence(f"{count(n)} {one} listed for review.", href, {**answer.data(), "n": str(n)})


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


# ---- what a comparison allows one to say ------------------------------------------------------------------------


def conclusion(words: Words, answer: Answer, row: dict[str, Any], whose: str = "", href: str = "") -> Sentence:
    """The sentence that a comparison of two sequences allows, as the command line says it, set for a page."""
    lead = f"{pair(words, row)}, {whose}" if whose else pair(words, row)
    said = statement(row, words_of(answer.measure, "sequence"), words.confidence)
    return Sentence(_set(said), href, answer.data(row), lead)


def is_shown(words: Words, row: dict[str, Any]) -> bool:
    """Does a comparison show a difference? Only then does it belong among what needs attention."""
    return verdict(row, words.confidence) == "difference shown"


def _set(text: str) -> str:
    """Text of the command line in a page's type: a true minus, `95%`, and no line broken between p and its value."""
    text = re.sub(r"(?<![\w])-(?=\d)", MINUS, text)
    return re.sub(r"\bp (?=\d|below)", "p\u00a0", text.replace(" % ", "% "))


def not_told(answer: Answer, href: str) -> Sentence | None:
    """Incidents without a record that the patient was told."""
    rows = [row for row in answer.rows if "patient_informed" in row]
    if answer.missing or not rows:
        return None
    untold = sum(row["patient_informed"] is False for row in rows)
    unknown = sum(row["patient_informed"] is None for row in rows)
    said = [f"{count(untold)} {'says' if untold == 1 else 'say'} that the patient was not told"] if untold else []
    said += (
        [f"{count(unknown)} {'does' if unknown == 1 else 'do'} not say whether the patient was told"] if unknown else []
    )
    if not said:
        return None
    return Sentence(
        f"Of {counted(len(rows), 'incident')}, {series(said)}.", href, {**answer.data(), "n": str(len(rows))}
    )
