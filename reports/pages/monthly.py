"""The monthly review for the practice owner: is this month like the others, where does the time go, what does it cost?

Figures of the practice as a whole: no patients, no treatment ids, no figures by person.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from reports import attention
from reports.blocks import Page, Sentence, prose
from reports.evidence import figures, groups, months
from reports.pages import common
from reports.pages.common import Context, section
from reports.series import month_names, monthly
from reports.source import Source
from reports.words import count, counted
from reports.words import month as month_words

BEFORE = 18  # months that this one is compared with


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

    def over_months(name: str) -> tuple:  # type: ignore[type-arg]
        answer = source.ask(name, by=("month",), start=earliest, end=end)
        return answer, monthly(answer, names) if not answer.missing else None

    def this(name: str, *by: str):  # type: ignore[no-untyped-def]
        return source.ask(name, by=by, start=start, end=end)

    def earlier(name: str, *by: str):  # type: ignore[no-untyped-def]
        return source.ask(name, by=by, start=earliest, end=before_end)

    def split(id: str, name: str, *by: str):  # type: ignore[no-untyped-def]
        return groups.by_group(words, id, this(name, *by), beside=earlier(name, *by), names=both)

    visit, visit_series = over_months("chair_minutes_per_visit")
    canal, canal_series = over_months("chair_minutes_per_canal")
    cost, cost_series = over_months("cost_per_canal")

    def overview(id: str, caption: str, *names: str):  # type: ignore[no-untyped-def]
        return figures.overview(words, id, caption, both, [(this(name), earlier(name)) for name in names])

    separations = ("separations_per_100_canals", "separations_per_100_teeth", "separations_per_1000_uses")
    year_start = start.replace(month=1)
    recall = source.ask("recall_share")
    overdue = source.ask("recall_list")

    time = section(
        "time",
        "Chair time",
        overview(
            "time-all",
            "Chair time and visits",
            "chair_minutes_per_visit",
            "chair_minutes_per_canal",
            "visits_per_tooth",
        ),
        months.by_month(words, "time-visit", visit, visit_series),
        months.by_month(words, "time-canal", canal, canal_series),
        split("time-tooth-type", "chair_minutes_per_visit", "tooth_type"),
        split("time-canal-sequence", "chair_minutes_per_canal", "sequence"),
        split("visits-tooth-type", "visits_per_tooth", "tooth_type"),
    )
    instruments = section(
        "instruments",
        "Instruments and their cost",
        overview(
            "instruments-all", "Instruments and cost", "instruments_per_canal", "cost_per_canal", "uses_per_instrument"
        ),
        months.by_month(words, "cost-months", cost, cost_series),
        split("cost-sequence", "cost_per_canal", "sequence"),
        split("instruments-sequence", "instruments_per_canal", "sequence"),
        split("uses-motion", "uses_per_instrument", "motion"),
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
        "Separated instruments",
        figures.overview(
            words,
            "separations-all",
            "Separated instruments",
            (month.words, f"{start.year} so far", earlier_words),
            [(this(name), source.ask(name, start=year_start, end=end), earlier(name)) for name in separations],
        ),
        prose("Details are on the incident audit.", note=True),
    )
    quality = common.quality(context, source)
    sentences = attention.collect(
        harm=[
            attention.signals.rate_apart(
                words,
                this("separations_per_100_canals"),
                earlier("separations_per_100_canals"),
                "incidents",
                month.words,
                earlier_words,
            )
            or attention.signals.events_seen(
                words,
                this("separations_per_100_canals"),
                earlier("separations_per_100_canals"),
                "incidents",
                month.words,
                earlier_words,
            ),
        ],
        signals=[
            attention.signals.month_signal(words, visit, visit_series, "time-visit"),
            attention.signals.month_signal(words, canal, canal_series, "time-canal"),
            attention.signals.month_signal(words, cost, cost_series, "cost-months"),
        ],
        recall=[
            attention.recall.recall_low(words, recall, "recall"),
            attention.recall.overdue(overdue, "recall"),
        ],
        data=common.lacking(context, source),
    )
    return Page(
        stem=f"monthly-{month.name}",
        title=f"Monthly review, {month.words}",
        lead=f"Is {month.words} like {earlier_words}? Where does the time go, and what does it cost? "
        "For the practice owner.",
        facts=common.facts(context, source, month.words),
        blocks=(
            common.page_attention(sentences),
            time,
            instruments,
            recalls,
            incidents,
            quality,
            common.methods(context, source),
            common.cautions(),
        ),
        attention=sentences,
    )


def _overdue(answer) -> Sentence | str:  # type: ignore[no-untyped-def]
    """The number on the recall list, without who they are."""
    if answer.missing:
        return ""
    return attention.recall.overdue(answer, "") or Sentence("No treatment is overdue for recall.", data=answer.data())
