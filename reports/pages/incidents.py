"""The incident audit for the clinical lead: what went wrong, how often, where, and what was different there?"""

from __future__ import annotations

from typing import Any

from reports import attention
from reports.blocks import Page
from reports.evidence import figures, groups, records, survival, teeth
from reports.evidence.records import plain_column
from reports.pages import common
from reports.pages.common import Context, section
from reports.source import Source
from reports.words import Words, capital, number, plain, short_day

RATES = ("separations_per_1000_uses", "separations_per_100_canals", "separations_per_100_teeth")


def page(context: Context, source: Source) -> Page:
    """The whole page, over all records."""
    words = context.words
    everything = common.reach_words(context.first, source.as_of)
    period_words = "All records"

    def split(id: str, name: str, *by: str):  # type: ignore[no-untyped-def]
        return groups.by_group(words, id, source.ask(name, by=by))

    overall = {name: source.ask(name) for name in RATES}
    rates = section(
        "rates",
        "How often instruments separated",
        figures.overview(
            words, "rates-all", "Separated instruments, all records", (period_words,), [(overall[n],) for n in RATES]
        ),
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
        teeth.grid(words, "teeth", source.ask("separations_per_100_teeth", by=("tooth",)), what="Separations"),
    )
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
        survival.hazard_by_use(
            words,
            "life-hazard",
            life,
            share="Instruments that separated or deformed at a use",
            axis="Use of the instrument",
        ),
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
    incidents = source.ask("incident_list")
    listed = section(
        "list",
        "Each incident",
        records.listed(
            "incident-list",
            incidents,
            [
                plain_column(words, "When", "happened_on"),
                ("What and where", lambda row: f"{_what(row)}; {_sequence(words, row)}"),
                plain_column(words, "Treatment", "treatment_id"),
                ("Instrument", _instrument),
                ("What was done, and since", lambda row: f"{_managed(row)}. {_since(row)}"),
            ],
            caption="Incidents, one a line, newest first",
            empty="No incident is on record. None recorded is not none happened.",
            open_rows=30,
            note="Treatment ids are the practice's own, so that the chart can be pulled.",
        ),
    )
    quality = common.quality(context, source)
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
            attention.incidents.not_told(incidents, "list"),
        ],
        signals=[
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
        data=common.lacking(context, source),
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


def _what(row: dict[str, Any]) -> str:
    """`Separation, tooth 36, MB, apical third, curvature 32 degrees`."""
    parts = [capital(plain(row["incident"])), f"tooth {row['tooth']}" if row["tooth"] else "tooth not recorded"]
    parts += [plain(row["canal"])] if row["canal"] else []
    parts += [f"{plain(row['canal_third'])} third"] if row["canal_third"] else []
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
    return capital(", ".join(parts) or "not tracked") + known


def _managed(row: dict[str, Any]) -> str:
    """`Bypassed; fragment 2.5 mm; patient told`."""
    told = {True: "patient told", False: "patient not told", None: "patient told: not recorded"}
    parts = [plain(row["managed"])] if row["managed"] else []
    parts += [f"fragment {number(row['fragment_mm'], 1)} mm"] if row["fragment_mm"] is not None else []
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
