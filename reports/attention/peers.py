"""Own teeth outside what chance alone seldom passes: among those of all dentists, and one after another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from pipeline.output.text import plain
from reports.blocks import Sentence
from reports.source import Answer
from reports.words import Words, count, day, number

OUTER = "99.8 %"  # the funnel's outer limits; Spiegelhalter 2005, Stat Med 24:1185


def outside_limits(words: Words, answer: Answer, dentist: str, href: str) -> Sentence | None:
    """Own teeth outside the outer limits of the funnel, on either side."""
    row = None if answer.missing else answer.find(dentist=dentist)
    if row is None or row.get("too_few") or OUTER not in row["position"]:
        return None
    side = plain(row["position"]).partition(" ")[0]
    places = words.decimals(answer.result)
    all_teeth, mine = (words.figure(answer.result, row[k], places) for k in ("target", "estimate"))
    text = (
        f"Healed share of own teeth: {mine} ({count(row['events'])} of {count(row['n'])}), outside the limits ({side}) "
        f"that chance passes 2 times in 1,000 about the {all_teeth} of all dentists. Teeth are as they came: case mix "
        "may differ."
    )
    return Sentence(text, href, answer.data(row))


# What is counted of a measure after case mix, and of what.
ADJUSTED = {"adjusted_peer_funnel": ("Healed teeth", "teeth"), "adjusted_separation_funnel": ("Separations", "canals")}


def outside(
    words: Words, adjusted: Iterable[Answer], crude: Answer, dentist: str, href: str
) -> Iterator[Sentence | None]:
    """Own figures outside the outer limits after case mix; the crude healed share only where there is none."""
    told = False
    for answer in adjusted:
        row = None if answer.missing else answer.find(dentist=dentist)
        if row is None or row.get("too_few") or row.get("estimate") is None:
            continue
        told = told or answer.name == "adjusted_peer_funnel"
        if OUTER not in row["position"]:
            continue
        what, of = ADJUSTED[answer.name]
        ratio = f"{number(row['estimate'], 2)} ({number(row['low'], 2)} to {number(row['high'], 2)})"
        side = plain(row["position"]).partition(" ")[0]
        yield Sentence(
            f"{what} of own {of}: {count(row['events'])} against {number(row['expected'], 1)} expected of {of} like "
            f"the own, ratio {ratio}, outside the limits ({side}) that chance passes 2 times in 1,000. What of the "
            "case mix is not recorded is not allowed for: a reason to look, not a grade.",
            href,
            answer.data(row),
        )
    if not told:
        yield outside_limits(words, crude, dentist, href)


# What the sum of a measure is of.
SUMS = {"healed_share": "not healed", "separations_per_100_teeth": "with a separated instrument"}


def sum_signal(answer: Answer, dentist: str, href: str) -> Sentence | None:
    """A sum of own teeth, each against its own risk, passed its limit, and nothing has answered it."""
    row = None if answer.missing else answer.find(dentist=dentist)
    if row is None or row.get("too_few") or row["signal_on"] is None:
        return None
    was = SUMS[answer.name]
    text = (
        f"Own teeth one after another, each against its own risk: the sum of those {was} passed its limit on "
        f"{day(row['signal_on'])}, {plain(row['signal'])}. Of all {count(row['n'])}, {count(row['events'])} were {was} "
        f"and {number(row['expected'], 1)} were expected. It asks for a look and says nothing of the cause."
    )
    return Sentence(text, href, answer.data(row))
