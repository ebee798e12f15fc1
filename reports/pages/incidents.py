"""The incident audit for the clinical lead: what went wrong, how often, where, and what was different there?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from pipeline.output.text import plain
from reports import attention, every_page
from reports.blocks import Page, Part, prose
from reports.every_page import Context, section
from reports.evidence import (
    adherence,
    breakdown,
    factors,
    figures,
    funnel,
    gaps,
    groups,
    hazard,
    process,
    records,
    separations,
    standards,
    survival,
    teeth,
)
from reports.evidence.common import slug
from reports.evidence.records import plain_column
from reports.reader import Asked, Planned, Reader, Standing
from reports.source import Source
from reports.words import Words, capital, number, short_day

RATES = (
    "separations_per_1000_uses",
    "separations_per_100_canals",
    "separations_per_100_teeth",
    "separations_per_100k_turns",
)
SITES = {
    "third of the canal": "third of the canal",
    "curvature (Schneider)": "curvature",
    "instrument size (ISO)": "instrument size",
    "use number": "use number of the instrument",
    "tooth type": "tooth type",
}
# The order in which a canal is prepared.
CHECKS = (
    "glide path",
    "length confirmed",
    "order of steps",
    "depth of steps",
    "speed",
    "torque",
    "irrigation",
    "apical gauging",
    "final size",
)


def page(context: Context, source: Source) -> Page:
    """The whole page, over all records."""
    words = context.words
    everything = every_page.reach_words(context.first, source.as_of)
    period_words = "All records"

    def split(id: str, name: str, *by: str, chart: bool = True) -> list[Part]:
        return groups.by_group(words, id, source.ask(name, by=by), chart=chart)

    overall = {name: source.ask(name) for name in RATES}
    between = source.ask("separation_gaps")
    monthly = {name: source.process(name) for name in RATES[:2]}
    sums = [source.process("separations_per_100_teeth", by) for by in ("sequence", "dentist")]
    healed = [source.process("healed_share", by) for by in ("sequence", "dentist")]
    rates = section(
        "rates",
        "How often",
        split("rate-kind", "incidents_per_100_canals", "incident"),
        figures.overview(
            words, "rates-all", "Separated instruments, all records", (period_words,), [(overall[n],) for n in RATES]
        ),
        split("rate-year", "separations_per_100_canals", "year"),
        *(process.by_month(words, f"month-{slug(name)}", monthly[name], overall[name]) for name in monthly),
        split("rate-uses-sequence", "separations_per_1000_uses", "sequence"),
        split("rate-canals-sequence", "separations_per_100_canals", "sequence", chart=False),
        split("rate-teeth-sequence", "separations_per_100_teeth", "sequence", chart=False),
        split("rate-tooth-type", "separations_per_100_teeth", "tooth_type"),
        split("rate-motion", "separations_per_1000_uses", "motion"),
        split("rate-curvature", "separations_per_100_canals", "curvature_class"),
        process.sums(
            words,
            "sums",
            sums,
            caption="Teeth with a separation against their own risk: risk-adjusted CUSUM",
            event="with a separation",
        ),
        process.sums(
            words,
            "sums-healed",
            healed,
            caption="Teeth that were not healed against their own risk: risk-adjusted CUSUM",
            event="not healed",
        ),
        funnel.dentists(
            words,
            "adjusted-dentists",
            source.ask("adjusted_separation_funnel", by=("dentist",)),
            events="separations",
            size="canals",
        ),
    )
    pairs = source.ask("separation_comparison")
    versus = section(
        "sequences",
        "Does the sequence matter?",
        prose(
            "Rates of two sequences mix the sequence with the canals it was used in. The adjusted ratios compare only "
            "like uses: same tooth type, class of curvature, use number of the instrument and kind of treatment."
        ),
        separations.compared(
            words,
            "separations-compared",
            pairs,
            [attention.separations.conclusion(words, pairs, row) for row in pairs.rows],
            "all records",
        ),
    )
    times = section(
        "gaps",
        "Time between separations",
        gaps.between_events(words, "gap", between, event="separation", unit="canal"),
    )
    where = section(
        "where",
        "Where",
        breakdown.parts_of(
            words,
            "site",
            source.ask("incident_sites"),
            caption="Where incidents happened",
            of="incidents",
            charts=tuple(SITES)[:4],
            names=SITES,
        ),
        teeth.grid(words, "teeth", source.ask("separations_per_100_teeth", by=("tooth",)), what="Separations"),
    )
    danger = source.ask("instrument_hazard")
    life = source.ask("instrument_life")
    horizons = life.measure.horizons if life.measure else ()
    share = "Instruments neither separated nor deformed"
    lives = section(
        "life",
        "How long instruments last",
        survival.curve(
            words,
            "life-curve",
            life,
            share=share,
            axis="Uses of the instrument",
            unit="uses",
            at=horizons,
            event="separation or deformation",
            events="separations or deformations",
        ),
        hazard.by_use(words, "life-hazard", danger),
        survival.curve(
            words,
            "life-motion",
            source.ask("instrument_life", by=("motion",)),
            share=share,
            axis="Uses of the instrument",
            unit="uses",
            at=horizons[-2:],
            event="separation or deformation",
            events="separations or deformations",
        ),
    )
    seen, by_lot = source.ask("contributing_factors"), source.ask("separations_by_lot")
    different = section("factors", "What was different there", factors.with_incidents(words, "factor", seen))
    lots = section("lots", "Lots of instruments", funnel.lots(words, "lot", by_lot))
    incidents, told = source.ask("incident_list"), source.ask("patient_informed")
    listed = section(
        "list",
        "Each incident",
        prose(figures.sentence(words, told)),
        breakdown.parts_of(
            words,
            "managed",
            source.ask("incident_management"),
            caption="What was done about incidents",
            of="incidents",
            charts=("managed",),
            names={"managed": "what was done"},
        ),
        records.listed(
            "incident-list",
            incidents,
            [
                plain_column(words, "When", "happened_on"),
                ("What and where", lambda row: f"{_what(row)}; {_sequence(words, row)}"),
                plain_column(words, "Treatment", "treatment_id"),
                ("Instrument", _instrument),
                ("Outside the own sequence", _outside),
                ("What was done, and since", lambda row: f"{_managed(row)}. {_since(row)}"),
            ],
            caption="Incidents, one a line, newest first",
            empty="No incident is on record. None recorded is not none happened.",
            open_rows=30,
            most_printed=60,  # of a few hundred lines paper would take twenty sheets
            note="Treatment ids are the practice's own, so that the chart can be pulled.",
        ),
    )
    checked = source.ask("adherence", by=("check",))
    kept = section(
        "adherence",
        "Own sequence kept",
        adherence.by_check(words, "check", checked, order=CHECKS),
        adherence.indication(words, source.ask("indication")),
        groups.by_group(words, "indication-sequence", source.ask("indication", by=("sequence",)), chart=False),
    )
    held = source.ask("standards")
    audit = section("standards", "Standards", standards.table(words, "standards-table", held, source.catalogue))
    quality = every_page.quality(context, source)
    latest_year = f"{source.as_of.year}"
    year_start = source.as_of.replace(month=1, day=1)
    before = context.first if context.first and context.first < year_start else None
    canals = source.ask("separations_per_100_canals", start=year_start, end=source.as_of)
    sentences = attention.collect(
        harm=[
            attention.signals.rate_apart(
                words,
                canals,
                source.ask(
                    "separations_per_100_canals",
                    start=before,
                    end=year_start.replace(year=year_start.year - 1, month=12, day=31),
                ),
                "rate-year",
                f"{latest_year} so far",
                "the years before",
            )
            if before
            else None,
            attention.incidents.closer_together(between, "gaps", "separation", "canal"),
            attention.incidents.not_told(incidents, "list"),
        ],
        signals=[
            *(
                said
                for name in monthly
                for said in attention.incidents.months_above(monthly[name], overall[name], f"month-{slug(name)}")
            ),
            *(
                said
                for answer in sums
                for said in attention.incidents.cusum_signals(
                    words, answer, overall["separations_per_100_teeth"], "sums"
                )
            ),
            *(
                said
                for answer in healed
                for said in attention.incidents.cusum_signals(words, answer, answer, "sums-healed")
            ),
            *attention.incidents.lots_outside(words, by_lot, "lots"),
            *attention.incidents.factors_seen(seen, "factors", factors.ratio_text),
            *attention.signals.groups_apart(
                words,
                source.ask("separations_per_1000_uses", by=("sequence",)),
                overall["separations_per_1000_uses"],
                "rate-uses-sequence",
            ),
            *attention.signals.groups_apart(
                words,
                source.ask("separations_per_100_teeth", by=("tooth_type",)),
                overall["separations_per_100_teeth"],
                "rate-tooth-type",
            ),
            *attention.signals.groups_apart(
                words,
                source.ask("separations_per_1000_uses", by=("motion",)),
                overall["separations_per_1000_uses"],
                "rate-motion",
            ),
            *attention.signals.groups_apart(
                words,
                source.ask("separations_per_100_canals", by=("curvature_class",)),
                overall["separations_per_100_canals"],
                "rate-curvature",
            ),
        ],
        differences=attention.separations.shown(words, pairs, "sequences"),
        standards=[
            *attention.standards.not_met(words, held, source.catalogue, "standards"),
            *attention.standards.seldom_kept(words, checked, "adherence"),
        ],
        instruments=[attention.standards.hazard_beyond(words, danger, "life-hazard")],
        data=[
            attention.incidents.factors_seldom_recorded(seen, "factors", factors.recorded_text),
            *every_page.lacking(context, source),
        ],
    )
    return Page(
        stem="incidents",
        title="Incident audit",
        lead="What went wrong, how often, where, and what was different there? For the clinical lead.",
        facts=every_page.facts(context, source, everything),
        blocks=(
            every_page.page_attention(sentences),
            rates,
            versus,
            times,
            where,
            lives,
            different,
            lots,
            listed,
            kept,
            audit,
            quality,
            every_page.methods(context, source),
            every_page.cautions(),
        ),
        attention=sentences,
    )


def _what(row: dict[str, Any]) -> str:
    """`Separation, tooth 36, MB, apical third, curvature 32 degrees`."""
    parts = [
        capital(plain(row["incident"] or "incident of a kind that is not recorded")),
        f"tooth {row['tooth']}" if row["tooth"] else "tooth not recorded",
    ]
    parts += [plain(row["canal"])] if row["canal"] else []
    third = row["canal_third"]
    parts += [f"{plain(third)} third" if third in ("coronal", "middle", "apical") else plain(third)] if third else []
    parts += [f"curvature {number(row['curvature_deg'])}\u00b0"] if row["curvature_deg"] is not None else []
    return ", ".join(parts)


def _sequence(words: Words, row: dict[str, Any]) -> str:
    return words.value("sequence", row["sequence"]) if row["sequence"] else "sequence not recorded"


def _instrument(row: dict[str, Any]) -> str:
    """`Size 25, rotation, use 5 of 8 (E1007)`."""
    parts = [f"size {row['size']}"] if row["size"] is not None else []
    parts += [plain(row["motion"])] if row["motion"] else []
    if row["use_number"] is not None:
        parts.append(
            f"use {row['use_number']}" + (f", limit {row['use_limit']}" if row["use_limit"] is not None else "")
        )
    known = f" ({plain(row['instrument_id'])})" if row["instrument_id"] else ""
    return capital(", ".join(parts) or "none named") + known


def _outside(row: dict[str, Any]) -> str:
    """`Speed, irrigation`: what of the practice's own sequence was not kept in that canal."""
    known = row["outside"]
    return "Cannot be told" if known is None else "Nothing known" if known == "nothing" else capital(plain(known))


def _managed(row: dict[str, Any]) -> str:
    """`Bypassed; fragment 2.5 mm long, 0.40 mm wide at the break; patient told`."""
    told = {True: "patient told", False: "patient not told", None: "patient told: not recorded"}
    parts = [plain(row["managed"])] if row["managed"] else []
    if row["fragment_mm"] is not None:
        width = row.get("width_at_break_mm")
        wide = f", {number(width, 2)} mm wide at the break" if width is not None else ""
        parts.append(f"fragment {number(row['fragment_mm'], 1)} mm long{wide}")
    return capital("; ".join([*parts, told[row["patient_informed"]]]))


_OUTCOME = {
    "not completed": "Treatment not completed",
    "not due": "Outcome not due yet",
    "not seen": "Not seen again",
}


def _since(row: dict[str, Any]) -> str:
    """The outcome known since, and when the tooth was last seen."""
    known = str(row["outcome"] or "")
    outcome = _OUTCOME.get(known) or capital(plain(known))
    seen = f"last seen {short_day(row['last_seen_on'])}" if row["last_seen_on"] else ""
    return f"{capital(', '.join(t for t in (outcome, seen) if t))}." if outcome or seen else "Nothing known since."


def _plan(asked: Asked) -> list[Planned]:
    return [Planned("incidents", "Incident audit", lambda source: page(asked.context, source))]


def _linked(page: Page, standing: Sequence[Standing]) -> Page:
    """Leads to the newest month and to the dentists' pages."""
    months = [s.link for s in standing if s.reader == "monthly"][:1]
    return replace(page, links=(*months, *(s.link for s in standing if s.reader == "outcomes")))


READER = Reader(
    place=2,
    title="Incident audit",
    lead="For the clinical lead: what went wrong, how often, where, and what was different there?",
    plan=_plan,
    linked=_linked,
)
