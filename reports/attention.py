"""What needs attention first: rules that turn results into sentences, each with its figure and where to read more.

A rule states what the figures show and no more; which of them matters is the reader's to judge.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from reports.blocks import Sentence
from reports.evidence.comparison import difference_text, pair
from reports.series import Series
from reports.source import Answer, Source
from reports.words import Words, capital, count, counted, day, group_title, plain, points, series

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


def conclusion(
    words: Words, answer: Answer, row: dict[str, Any], smallest_group: int, whose: str = "", href: str = ""
) -> Sentence:
    """The sentence that a comparison of two sequences allows, and no other.

    Too few cases; strata that disagree, where one pooled figure would mislead; a difference shown; or none shown,
    with the smallest that so many cases could have shown. Shown is never proven, and never a cause.
    """
    lead = f"{pair(words, row)}, {whose}" if whose else pair(words, row)
    data = answer.data(row)
    n, n_reference = row.get("n") or 0, row.get("n_reference") or 0
    sides = f"n\u00a0{count(n)} and {count(n_reference)}"
    adjusted = f"adjusted difference in healed share {difference_text(row)}, {sides}"
    least = row.get("smallest_difference")
    smallest = (
        f" With so few cases only a difference of about {points(least, 0).lstrip('+')} points or more would usually "
        "have shown; a smaller one, either way, cannot be ruled out."
        if least
        else " A difference, either way, cannot be ruled out."
    )

    def said(text: str) -> Sentence:
        return Sentence(text, href, data, lead)

    if (
        row.get("too_few")
        or row.get("estimate") is None
        or min(n, n_reference) < smallest_group
        or not row.get("n_used", 1)
    ):
        return said(f"too few like cases to compare ({sides}).")
    alpha = 1 - words.confidence
    if row.get("homogeneity_p") is not None and row["homogeneity_p"] < alpha:
        return said(
            f"the strata disagree (test of equal odds ratios; p\u00a0{p_text(row['homogeneity_p'])}): no one figure "
            f"speaks for all kinds of teeth, and the {adjusted}, should not be used alone."
        )
    low, high = row.get("low"), row.get("high")
    if low is None or high is None:
        return said(f"{adjusted}, without an interval: nothing can be concluded.")
    if not (low > 0 or high < 0):
        return said(f"no difference is shown: {adjusted}.{smallest}")
    p = row.get("p_adjusted")
    if p is not None and p >= alpha:
        among = counted(len(answer.rows), "comparison")
        return said(
            f"no difference is shown: {adjusted}. The interval lies on one side of zero, but the test, allowing "
            f"for {among}, does not bear it out (p\u00a0{p_text(p)})."
        )
    more = "more" if row["estimate"] > 0 else "fewer"
    first = words.value("sequence", row.get("sequence"))
    return said(
        f"a difference is shown among like cases, {more} healed with \u201c{first}\u201d: {adjusted}. It is an "
        "association; what else differed between the cases may explain it."
    )


def p_text(p: float) -> str:
    """A p value with two figures that mean something."""
    return "below 0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def is_shown(words: Words, row: dict[str, Any], smallest_group: int) -> bool:
    """Does a comparison show a difference? Only then does it belong among what needs attention."""
    if (
        row.get("too_few")
        or min(row.get("n") or 0, row.get("n_reference") or 0) < smallest_group
        or not row.get("n_used", 1)
    ):
        return False
    alpha = 1 - words.confidence
    disagree, p = row.get("homogeneity_p"), row.get("p_adjusted")
    if (disagree is not None and disagree < alpha) or (p is not None and p >= alpha):
        return False
    low, high = row.get("low"), row.get("high")
    return low is not None and high is not None and (low > 0 or high < 0)


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
