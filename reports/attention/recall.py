"""Who was not seen again, and who was and had not healed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from reports.blocks import Sentence
from reports.source import Answer
from reports.words import Words, count, counted, percent

# Below this share seen, the unseen could turn an outcome figure either way; common practice, no source.
LOW_RECALL = 0.5
# Below this share recorded, teeth without a PAI are too many to be passed over; common practice, no source.
FEW_RECORDED = 0.9

# What a figure of records must not be read as a reason for.
OWN_REASON = (
    "A radiograph needs a clinical justification of its own (EC Radiation Protection 136, 2004): complete records are "
    "none."
)


def recall_low(words: Words, answer: Answer, href: str) -> Sentence | None:
    """So few seen again that outcome figures may mislead."""
    if answer.missing or not answer.shown:
        return None
    row = answer.shown[0]
    if row["estimate"] >= LOW_RECALL:
        return None
    text = (
        f"{answer.title}: {words.full(answer.result, row, answer.measure)}. Fewer than half were seen in their recall "
        "window; the others may have done otherwise."
    )
    return Sentence(text, href, answer.data(row))


def overdue(answer: Answer, href: str, whose: str = "") -> Sentence | None:
    """How many are due for recall and were not seen in their recall window; a visit before or after it may be known."""
    if answer.missing or not answer.rows:
        return None
    n = len(answer.rows)
    data = {**answer.data(), "n": str(n)}
    open_still = sum(bool(row.get("window_open")) for row in answer.rows)
    more = f"; for {count(open_still)} of them it is still open" if open_still else ""
    return Sentence(
        f"{counted(n, 'tooth', 'teeth')}{whose} due for recall {'was' if n == 1 else 'were'} not seen in the recall "
        f"window{more}.",
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


def pai_missing(words: Words, answer: Answer, href: str, what: str) -> Sentence | None:
    """Own cases without a PAI, before treatment or at follow-up, in too many; `what` says what follows from it."""
    if answer.missing or not answer.shown:
        return None
    row = answer.shown[0]
    if row["estimate"] >= FEW_RECORDED:
        return None
    text = (
        f"{answer.title}: {words.full(answer.result, row, answer.measure)}. {what} Said below {percent(FEW_RECORDED)} "
        "(common practice, no source)."
    )
    return Sentence(text, href, answer.data(row))


def with_own_reason(sentences: Iterable[Sentence | None]) -> list[Sentence]:
    """Sentences on missing PAI; the last of them also says that records are no reason for a radiograph."""
    found = [sentence for sentence in sentences if sentence is not None]
    return [*found[:-1], replace(found[-1], text=f"{found[-1].text} {OWN_REASON}")] if found else []
