"""What every page has: its facts, data quality, methods from the measures' own headers, and the cautions."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipeline.measures.explain import own_words
from pipeline.output.text import plain
from reports import attention
from reports.blocks import Block, Items, Part, Sentence, prose
from reports.evidence import corrections, records
from reports.evidence.common import Column, reasons_words
from reports.evidence.records import kind_words, plain_column
from reports.source import Source
from reports.words import NOT_RECORDED, Words, count, counted, day, month, short_day


@dataclass(frozen=True)
class Context:
    """What a page is made for: settings, words, the day of the report, and from when to when the data reach."""

    settings: Any
    words: Words
    today: date
    first: date | None
    last: date
    settings_from: str = ""

    @property
    def practice(self) -> str:
        return plain(self.settings.practice)

    @property
    def smallest_group(self) -> int:
        return int(self.settings.reporting.smallest_group)


def facts(context: Context, source: Source, period: str) -> tuple[tuple[str, str], ...]:
    """The lines under a page's title."""
    return (
        ("Practice", context.practice),
        ("Period", period),
        ("Data up to", day(source.as_of)),
        ("Report made on", day(context.today)),
        *settings_fact(context),
    )


def settings_fact(context: Context) -> tuple[tuple[str, str], ...]:
    """Whose standards, prices and windows the figures follow."""
    return (("Settings", plain(context.settings_from)),) if context.settings_from else ()


# What every page asks of the store as a whole.
OF_THE_STORE = frozenset({"imports", "quarantine_by_reason", "corrections", "completeness"})


def quality(context: Context, source: Source, *, files: bool = True, corrected: bool = True) -> Block:
    """Can these figures be trusted: what was refused, what is missing, how old the data are.

    `files` names the files read; a page for one dentist leaves them out, as a file's name may name another. `corrected`
    says what the last import corrected; the monthly review has a block of its own for it.
    """
    words = context.words
    replaced = corrections.corrected_by_last(source.ask("corrections")) if corrected else ""
    parts: list[Part] = [prose(*ages(context, source), replaced)]
    parts += records.refused(context.words, "quarantine", source.ask("quarantine_by_reason"))
    named = [plain_column(words, "File", "source_file")] if files else []
    parts += records.listed(
        "imports",
        source.ask("imports"),
        [
            *named,
            ("Records", lambda row: kind_words(row["record_kind"])),
            ("Taken in", lambda row: short_day(row["loaded_at"]) if row["loaded_at"] else NOT_RECORDED),
            *(
                _counts(head, name)
                for head, name in (
                    ("Rows read", "rows_read"),
                    ("New", "loaded"),
                    ("As before", "unchanged"),
                    ("Replaced an older one", "superseded"),
                    ("Refused", "quarantined"),
                )
            ),
        ],
        caption="Latest import of each file",
        empty="No import is on record.",
        hide=() if files else ("source_file",),
        numeric=range(len(named) + 2, len(named) + 7),
    )
    asked = {name: plain(measure.title) for name, measure in source.used.items()}
    parts += records.complete(words, "completeness", source.ask("completeness"), asked)
    missing = [s for s in attention.data.unanswered(source, "") if s.data.get("measure") not in OF_THE_STORE]
    if missing:
        parts.append(prose("What could not be computed:"))
        parts.append(Items(tuple(missing)))
    left = [
        Sentence(f"{reasons_words(reasons)}.", data={"measure": name}, lead=plain(source.catalogue[name].title))
        for name, reasons in source.left_out.items()
        if any(r["n"] for r in reasons)
    ]
    if left:
        parts.append(Items(tuple(left), folded="What each measure leaves out, and why"))
    return Block("quality", "Data quality", tuple(parts))


def _counts(head: str, name: str) -> Column:
    return head, lambda row: count(row[name] or 0)


def reach_words(first: date | None, last: date) -> str:
    """From the first month with records to the last day: `July 2023 to 30 June 2026`."""
    return f"{month(f'{first:%Y-%m}')} to {day(last)}" if first else f"all records up to {day(last)}"


def ages(context: Context, source: Source) -> list[Sentence]:
    """How far the data reach, and how long ago that was."""
    reach = f"from {reach_words(context.first, context.last)}" if context.first else f"up to {day(context.last)}"
    days = (context.today - context.last).days
    age = f"{counted(days, 'day')} before this report" if days > 0 else "of the day of this report"
    said = [Sentence(f"The store's records reach {reach}; the newest is {age}.")]
    if source.as_of < context.last:
        said.append(Sentence(f"This page looks at them as they were known on {day(source.as_of)}."))
    return said


def lacking(context: Context, source: Source) -> list[Sentence | None]:
    """What the data of a page lack, for its first block: refused records, old data, measures without an answer."""
    return [
        attention.data.refused(source.ask("quarantine_by_reason"), "quality"),
        attention.data.stale(context.last, context.today, "quality"),
        *attention.data.unanswered(source, "quality"),
    ]


def methods(context: Context, source: Source) -> Block:
    """How each measure of the page is defined, from its own header."""
    terms = []
    for name in sorted(source.used, key=lambda n: plain(source.used[n].title).lower()):
        m = source.used[name]
        if m.kind == "list":
            continue
        words = [_told(m.definition, context)]
        if m.numerator and m.denominator:
            words.append(_told(f"Counted: {m.numerator}, of {_end(m.denominator)}", context))
        if m.caption:
            words.append(_end(_told(m.caption, context)))
        if m.source:
            words.append(f"Source: {_end(m.source)}")
        terms.append((f"{plain(m.title)} ({plain(name)})", tuple(w for w in words if w)))
    small = context.smallest_group
    general = prose(
        f"Intervals are {context.words.interval}s. n is the number of units counted. Groups of fewer than {small} are "
        "shown as \u201ctoo few\u201d, and with them the smallest of the others where the total would tell their "
        "number. A figure and its interval belong together: where intervals overlap widely, a "
        "difference between figures may be chance."
    )
    return Block(
        "methods",
        "How it was computed",
        (general, Items(terms=tuple(terms), folded="Definitions and sources")),
    )


def _told(text: object, context: Context) -> str:
    """A measure's words with the practice's own months; names of columns and commands in quotation marks."""
    return re.sub(r"`([^`]*)`", "\u201c\\1\u201d", own_words(plain(text), context.settings))


def _end(text: object) -> str:
    words = plain(text).rstrip(".")
    return f"{words}."


CAUTIONS = (
    "For quality review only. Not for diagnosis, for the choice of a treatment, for discarding an instrument or for "
    "judging staff by itself.",
    "Associations are not causes: teeth, curvature, kind of treatment and hands differ between the groups compared.",
    "Local law, professional codes, instructions for use and the judgement of licensed practitioners come first. "
    "Statutory reporting of incidents is separate from this page.",
    "Small numbers mislead: read n and the interval with every figure. No events seen is not no risk.",
    "Outcomes are known only for those who came back; the fewer came, the less the figure says of the others.",
    "Tooth, date and dentist together can tell who a patient is: keep these pages within the practice.",
)


def cautions() -> Block:
    """What the page must not be used for, and how it may mislead."""
    return Block("cautions", "Cautions", (Items(tuple(Sentence(text) for text in CAUTIONS)),))


def page_attention(sentences: Sequence[Sentence]) -> Block:
    """The first block: what needs attention."""
    return Block("attention", "What needs attention", (Items(tuple(sentences), ordered=len(sentences) > 1),))


def section(id: str, heading: str, *parts: Part | Sequence[Part]) -> Block:
    """A block of parts and lists of parts."""
    flat: list[Part] = []
    for part in parts:
        flat += part if isinstance(part, Sequence) else [part]
    return Block(id, heading, tuple(flat))
