"""The monthly review for the practice owner: is this month like the others, where does the time go, what does it cost?

Figures of the practice as a whole: no patients, no treatment ids, no figures by person.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from pipeline.errors import UserError
from pipeline.output.text import plain
from reports import attention, every_page
from reports.blocks import Items, Page, Part, Sentence, prose
from reports.earlier import before_last_import
from reports.every_page import Context, section
from reports.evidence import figures, groups, months, stock, trends
from reports.evidence.common import published
from reports.evidence.corrections import Change, against_last, changes
from reports.reader import Asked, Planned, Reader, Standing
from reports.series import Series, month_names, monthly
from reports.source import Answer, Source
from reports.words import Words, capital, count, counted, series
from reports.words import month as month_words

BEFORE = 18  # months that this one is compared with

# What is held against the months before, in the order of the page.
KEY_FIGURES = (
    "chair_minutes_per_visit",
    "chair_minutes_per_canal",
    "chair_minutes_per_tooth",
    "booking_overrun",
    "visits_per_tooth",
    "instruments_per_canal",
    "cost_per_canal",
    "over_limit_uses",
    "untracked_uses",
    "separations_per_100_canals",
)
# Those of them whose months are judged by their events, in rules of their own.
COUNTED = frozenset({"over_limit_uses", "untracked_uses", "separations_per_100_canals"})
EARLY_BECAUSE = (
    ("deformed", "deformed"),
    ("separated", "separated"),
    ("other_reason", "for another reason, or none recorded"),
)


@dataclass(frozen=True)
class Month:
    """A calendar month."""

    first: date

    @classmethod
    def of(cls, day: date) -> Month:
        return cls(day.replace(day=1))

    @property
    def last(self) -> date:
        return self.plus(1).first - timedelta(days=1)

    @property
    def name(self) -> str:
        return f"{self.first:%Y-%m}"

    @property
    def words(self) -> str:
        return month_words(self.name)

    def plus(self, months: int) -> Month:
        place = self.first.year * 12 + self.first.month - 1 + months
        return Month(date(place // 12, place % 12 + 1, 1))


def page(context: Context, source: Source, month: Month) -> Page:
    """The whole page; `source` looks at the data as of the month's end."""
    words = context.words
    start, end = month.first, month.last
    before_first, before_end = month.plus(-BEFORE).first, month.first - timedelta(days=1)
    earliest = max(before_first, context.first.replace(day=1)) if context.first else before_first
    months_before = (start.year - earliest.year) * 12 + start.month - earliest.month
    earlier_words = f"the {counted(months_before, 'month')} before" if months_before else "earlier months"
    names = month_names(earliest, start)
    both = (month.words, earlier_words)

    def over_months(name: str) -> tuple[Answer, Series | None]:
        answer = source.ask(name, by=("month",), start=earliest, end=end)
        return answer, monthly(answer, names) if not answer.missing else None

    def this(name: str, *by: str) -> Answer:
        return source.ask(name, by=by, start=start, end=end)

    def earlier(name: str, *by: str) -> Answer:
        return source.ask(name, by=by, start=earliest, end=before_end)

    def split(id: str, name: str, *by: str, chart: bool = True) -> list[Part]:
        return groups.by_group(words, id, this(name, *by), beside=earlier(name, *by), names=both, chart=chart)

    def overview(id: str, caption: str, *names: str) -> list[Part]:
        return figures.overview(words, id, caption, both, [(this(name), earlier(name)) for name in names])

    def context_of(*names: str) -> list[Part]:
        """Published figures for measures of which the section draws the practice's own."""
        return [part for name in names for part in published(this(name))]

    key = {name: over_months(name) for name in KEY_FIGURES}
    visit, visit_series = key["chair_minutes_per_visit"]
    canal, canal_series = key["chair_minutes_per_canal"]
    cost, cost_series = key["cost_per_canal"]
    separations = ("separations_per_100_canals", "separations_per_100_teeth", "separations_per_1000_uses")
    year_start = start.replace(month=1)
    booked, opened = this("booking_overrun"), this("days_open")
    unfinished = source.ask("unfinished_share")
    long_open = source.ask("unfinished_share", end=source.as_of - timedelta(days=attention.treatments.OLD_DAYS))
    early, forecast = this("retired_early"), source.ask("stock_forecast", by=("size",))
    recall = source.ask("recall_share")
    overdue = source.ask("recall_list")
    corrected = source.ask("corrections")
    changed, compared = _changes(words, source, corrected, earliest, end)

    against = section(
        "key",
        f"{capital(month.words)} against the months before",
        trends.against_before(words, "key-figures", list(key.values()), month.words, earlier_words),
    )
    time = section(
        "time",
        "Chair time",
        months.by_month(words, "time-visit", visit, visit_series),
        months.by_month(words, "time-canal", canal, canal_series),
        split("time-tooth-type", "chair_minutes_per_visit", "tooth_type"),
        split("time-canal-sequence", "chair_minutes_per_canal", "sequence"),
        split("time-tooth-whole", "chair_minutes_per_tooth", "tooth_type", chart=False),
        split("time-tooth-sequence", "chair_minutes_per_tooth", "sequence", chart=False),
        split("visits-tooth-type", "visits_per_tooth", "tooth_type", chart=False),
        context_of("chair_minutes_per_visit", "chair_minutes_per_canal", "chair_minutes_per_tooth", "visits_per_tooth"),
        overview("bookings", "Bookings, and days from start to completion", "booking_overrun", "days_open"),
        prose(
            figures.counted_beside(
                words, booked, "over_by_10", "sittings", "took more than 10 minutes longer than booked", month.words
            ),
            figures.counted_beside(
                words, opened, "same_day", "completed treatments", "were completed on the day they began", month.words
            ),
        ),
    )
    open_treatments = section(
        "open",
        "Open treatments",
        prose(
            figures.sentence(words, unfinished, period=f"as of {month.words}"),
            attention.treatments.unfinished(long_open, "") or "",
        ),
        groups.by_group(
            words,
            "open-age",
            source.ask("unfinished_share", by=("quarter",)),
            by_words="by age, as the quarter in which they were begun",
            chart=False,
        ),
    )
    instruments = section(
        "instruments",
        "Instruments and their cost",
        months.by_month(words, "cost-months", cost, cost_series),
        split("cost-sequence", "cost_per_canal", "sequence"),
        split("instruments-sequence", "instruments_per_canal", "sequence", chart=False),
        context_of("instruments_per_canal", "cost_per_canal"),
        overview(
            "instruments-use",
            "Instruments used, beyond their limit, not traceable, and retired",
            "uses_per_instrument",
            "over_limit_uses",
            "untracked_uses",
            "retired_early",
        ),
        prose(_early(early, month.words)),
        stock.stock(words, "stock", forecast),
    )
    recalls = section(
        "recall",
        "Recall",
        prose(
            figures.sentence(words, recall, period=f"as of {month.words}"),
            _overdue(overdue),
            "Who they are is on each dentist's own page." if overdue.rows else "",
        ),
        groups.by_group(
            words,
            "recall-year",
            source.ask("recall_share", by=("year",)),
            by_words="by year of completion",
        ),
    )
    incidents = section(
        "incidents",
        "Incidents",
        figures.overview(
            words,
            "separations-all",
            "Separated instruments",
            (month.words, f"{start.year} so far", earlier_words),
            [(this(name), source.ask(name, start=year_start, end=end), earlier(name)) for name in separations],
        ),
        figures.side_by_side(
            words,
            "incidents-kind",
            "Other incidents, by kind",
            (month.words, f"{start.year} so far"),
            (
                this("incidents_per_100_canals", "incident"),
                source.ask("incidents_per_100_canals", by=("incident",), start=year_start, end=end),
            ),
            leave="separation",  # above, as a share of canals with an interval of its own
        ),
        prose("Details are on the incident audit.", note=True),
    )
    imported = section(
        "import",
        "This import against the last",
        against_last(words, "import", corrected, changed, compared),
    )
    quality = every_page.quality(context, source, corrected=False)

    def apart(name: str, href: str) -> Sentence | None:
        """A share or rate of the month whose interval lies wholly above the months before."""
        return attention.signals.rate_apart(words, this(name), earlier(name), href, month.words, earlier_words)

    def seen(name: str, href: str) -> Sentence | None:
        """The same, or that there were any at all."""
        return apart(name, href) or attention.signals.events_seen(
            words, this(name), earlier(name), href, month.words, earlier_words
        )

    drawn = {
        "chair_minutes_per_visit": "time-visit",
        "chair_minutes_per_canal": "time-canal",
        "cost_per_canal": "cost-months",
    }
    sentences = attention.collect(
        harm=[seen("separations_per_100_canals", "incidents")],
        signals=[
            attention.signals.month_signal(words, answer, found, drawn.get(name, "key"), runs=name in drawn)
            for name, (answer, found) in key.items()
            if name not in COUNTED
        ],
        recall=[
            attention.recall.recall_low(words, recall, "recall"),
            attention.recall.overdue(overdue, "recall"),
            attention.treatments.unfinished(long_open, "open"),
        ],
        instruments=[
            seen("over_limit_uses", "instruments"),
            attention.instruments.stock_short(words, forecast, "stock-table"),
        ],
        data=[
            attention.corrections.changed(changed, "import"),
            apart("untracked_uses", "instruments"),
            attention.data.unrecorded(this("chair_minutes_per_canal"), "time", month.words),
            *every_page.lacking(context, source),
        ],
    )
    return Page(
        stem=f"monthly-{month.name}",
        title=f"Monthly review, {month.words}",
        lead=f"Is {month.words} like {earlier_words}? Where does the time go, and what does it cost? "
        "For the practice owner.",
        facts=every_page.facts(context, source, month.words),
        blocks=(
            every_page.page_attention(sentences),
            against,
            time,
            open_treatments,
            instruments,
            recalls,
            incidents,
            imported,
            quality,
            every_page.methods(context, source),
            every_page.cautions(),
        ),
        attention=sentences,
    )


def _changes(words: Words, source: Source, corrected: Answer, start: date, end: date) -> tuple[list[Change], bool]:
    """Key figures by month that read otherwise than before the last import, and whether there was anything before it.

    Looked for only where records were corrected: facts are made a second time for it.
    """
    if not corrected.rows:
        return [], False
    with before_last_import(source) as earlier:
        if earlier is None:
            return [], False
        pairs = [
            (source.ask(name, ("month",), start, end), earlier.source.ask(name, ("month",), start, end))
            for name in KEY_FIGURES
        ]
        return changes(words, pairs, earlier.reach), True


def _early(answer: Answer, period: str) -> Sentence | str:
    """Why instruments were retired before their limit."""
    if answer.missing or not answer.shown or not answer.shown[0]["events"]:
        return ""
    row = answer.shown[0]
    named = [(row.get(name), what) for name, what in EARLY_BECAUSE]
    said = series([f"{count(n)} {what}" for n, what in named if n])
    return Sentence(
        f"Of the {counted(row['events'], 'instrument')} retired in {period} with uses left: {said}.",
        data=answer.data(row),
    )


def _overdue(answer: Answer) -> Sentence | str:
    """The number on the recall list, without who they are."""
    if answer.missing:
        return ""
    return attention.recall.overdue(answer, "") or Sentence("No treatment is overdue for recall.", data=answer.data())


def _plan(asked: Asked) -> list[Planned]:
    """The month asked for, else the last complete one with records, else the last one with records."""
    month = _chosen(asked)
    if month is None:
        if asked.alone:
            raise UserError("the store holds no month to report on", do="Import visits or treatments first")
        return []
    made = f"Monthly review, {month.words}"
    as_of = min(month.last, asked.source.as_of)
    return [Planned(f"monthly-{month.name}", made, lambda source: page(asked.context, source, month), as_of)]


def _chosen(asked: Asked) -> Month | None:
    if asked.month is not None:
        wanted = _month(asked.month)
        if wanted.name not in asked.months:
            raise UserError(f"no records of {wanted.words}", do=_reach(asked.months))
        return wanted
    months = [_month(m) for m in sorted(asked.months)]
    complete = [m for m in months if m.last <= asked.source.as_of] or months
    return complete[-1] if complete else None


def _month(text: str) -> Month:
    found = re.fullmatch(r"(\d{4})-(\d{2})", text.strip())
    if not found or not 1 <= int(found[2]) <= 12 or int(found[1]) < 1:
        raise UserError(f"{plain(text)} is no month", do="Write it as 2026-10")
    return Month(date(int(found[1]), int(found[2]), 1))


def _reach(months: Collection[str]) -> str:
    if not months:
        return "Import records first"
    return f"The records reach from {month_words(min(months))} to {month_words(max(months))}"


def _linked(page: Page, standing: Sequence[Standing]) -> Page:
    """Leads to the months before and after it, and to the audit, also from what it says of incidents."""
    audit = [s.link for s in standing if s.reader == "incidents"]
    months = sorted((s for s in standing if s.reader == "monthly"), key=lambda s: s.stem)
    at = [s.stem for s in months].index(page.stem)
    beside = months[max(0, at - 1) : at] + months[at + 1 : at + 2]
    blocks = page.blocks
    if audit:
        more = Items(tuple(audit))
        blocks = tuple(replace(b, parts=(*b.parts, more)) if b.id == "incidents" else b for b in blocks)
    return replace(page, blocks=blocks, links=(*(s.link for s in beside), *audit))


READER = Reader(
    place=1,
    title="Monthly review",
    lead="For the practice owner: is the month like the others, where does the time go, what does it cost?",
    plan=_plan,
    linked=_linked,
    newest_first=True,
)
