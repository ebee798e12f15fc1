"""The incident audit for the clinical lead: what went wrong, how often, where, and what was different there?"""

from __future__ import annotations

from reports import attention, evidence
from reports.blocks import Page, prose
from reports.pages import common
from reports.pages.common import Context, section
from reports.source import Source
from reports.words import period

RATES = ("separations_per_1000_uses", "separations_per_100_canals", "separations_per_100_teeth")


def page(context: Context, source: Source) -> Page:
    """The whole page, over all records."""
    words = context.words
    everything = period(context.first, source.as_of)

    def exposed(answer):  # type: ignore[no-untyped-def]
        """Columns of events and exposure beside a rate."""
        return (
            ("Events", lambda row: "\u2013" if row.get("events") is None else f"{row['events']:,}"),
            ("Exposure", lambda row: "\u2013" if row.get("exposure") is None or row.get("too_few") else f"{row['exposure']:,.0f}"),
        )

    def split(id: str, name: str, *by: str):  # type: ignore[no-untyped-def]
        answer = source.ask(name, by=by)
        return evidence.by_group(words, id, answer, extra=exposed(answer))

    overall = {name: source.ask(name) for name in RATES}
    rates = section(
        "rates",
        "How often instruments separated",
        prose(*(evidence.single(words, overall[name], period="all records") for name in RATES)),
        split("rate-year", "separations_per_100_canals", "year"),
        split("rate-uses-sequence", "separations_per_1000_uses", "sequence"),
        split("rate-canals-sequence", "separations_per_100_canals", "sequence"),
        split("rate-teeth-sequence", "separations_per_100_teeth", "sequence"),
        split("rate-tooth-type", "separations_per_100_teeth", "tooth_type"),
        split("rate-motion", "separations_per_1000_uses", "motion"),
        split("rate-curvature", "separations_per_100_canals", "curvature_class"),
    )
    where = section(
        "where",
        "In which teeth",
        evidence.teeth(words, "teeth", source.ask("separations_per_100_teeth", by=("tooth",)), what="Separations"),
    )
    life = source.ask("instrument_life")
    share = "Instruments neither separated nor deformed"
    lives = section(
        "life",
        "How long instruments last",
        evidence.survive(
            words,
            "life-curve",
            life,
            share=share,
            axis="Uses of the instrument",
            unit="uses",
            at=(1, 2, 4, 6, 8, 10, 15, 20),
            event="separation or deformation",
        ),
        evidence.hazard_by_use(
            words, "life-hazard", life, share="Instruments that separated or deformed at a use", axis="Use of the instrument"
        ),
        prose(
            "Instruments are discarded when they look worn, so those that reach many uses are the sturdier ones: the curve is "
            "for audit and sets no limit of uses.",
            note=True,
        ),
        evidence.survive(
            words,
            "life-motion",
            source.ask("instrument_life", by=("motion",)),
            share=share,
            axis="Uses of the instrument",
            unit="uses",
            at=(4, 8),
            event="separation or deformation",
        ),
    )
    incidents = source.ask("incident_list")
    listed = section(
        "list",
        "Each incident",
        evidence.records(
            words,
            "incident-list",
            incidents,
            caption="Incidents, one a line",
            empty="No incident is on record. None recorded is not none happened.",
            first=("occurred_at", "kind", "treatment_id", "tooth", "canal"),
            note="Treatment ids are the practice's own, so that the chart can be pulled.",
        ),
    )
    quality = common.quality(context, source)
    latest_year = f"{source.as_of.year}"
    year_start = source.as_of.replace(month=1, day=1)
    before = context.first if context.first and context.first < year_start else None
    canals = source.ask("separations_per_100_canals", start=year_start, end=source.as_of)
    sentences = attention.collect(
        [
            attention.rate_apart(
                words,
                canals,
                source.ask("separations_per_100_canals", start=before, end=year_start.replace(year=year_start.year - 1, month=12, day=31)),
                "rate-year",
                f"{latest_year} so far",
                "the years before",
            )
            if before
            else None,
        ],
        attention.groups_apart(
            words, source.ask("separations_per_1000_uses", by=("sequence",)), overall["separations_per_1000_uses"], "rate-uses-sequence"
        ),
        attention.groups_apart(
            words, source.ask("separations_per_100_teeth", by=("tooth_type",)), overall["separations_per_100_teeth"], "rate-tooth-type"
        ),
        attention.groups_apart(
            words, source.ask("separations_per_1000_uses", by=("motion",)), overall["separations_per_1000_uses"], "rate-motion"
        ),
        attention.groups_apart(
            words, source.ask("separations_per_100_canals", by=("curvature_class",)), overall["separations_per_100_canals"], "rate-curvature"
        ),
        [
            attention.not_told(incidents, "list"),
            attention.refused(source.ask("quarantine_by_reason"), "quality"),
            attention.stale(source.as_of, context.today, "quality"),
        ],
        attention.unanswered(source, "quality"),
    )
    return Page(
        stem="incidents",
        title="Incident audit",
        lead="What went wrong, how often, where, and what was different there? For the clinical lead.",
        facts=common.facts(context, source, everything),
        blocks=(
            common.page_attention(sentences),
            rates,
            where,
            lives,
            listed,
            quality,
            common.methods(context, source),
            common.cautions(),
        ),
        attention=sentences,
    )
