"""One dentist's own outcomes: how do my teeth do, and does the sequence matter? No other dentist is named here."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from pipeline.errors import UserError
from pipeline.output.text import plain
from reports import attention, every_page
from reports.attention import peers as peer_rules
from reports.blocks import Block, Page, Part, Sentence, prose
from reports.every_page import Context, section
from reports.evidence import (
    comparison,
    figures,
    groups,
    outcome,
    over_time,
    peers,
    records,
    separations,
    survival,
    work,
)
from reports.evidence.common import left_out, published
from reports.evidence.records import plain_column
from reports.files import stems
from reports.reader import Asked, Planned, Reader, Standing
from reports.source import Answer, Source
from reports.words import NOT_RECORDED, capital, count, short_day


def _pai(value: int | None) -> str:
    return NOT_RECORDED if value is None else str(value)


def page(context: Context, source: Source, dentist: str, stem: str) -> Page:
    """The whole page of one dentist, over all records."""
    words = context.words
    own = {"dentist": dentist}

    def ask(name: str, *by: str) -> Answer:
        return source.ask(name, by=by, where=own)

    def split(id: str, name: str, *by: str) -> list[Part]:
        return groups.by_group(words, id, ask(name, *by))

    everyone = source.ask("peer_funnel", by=("dentist",))
    with_practice = peers.told_apart(everyone)
    adjusted = source.ask("adjusted_peer_funnel", by=("dentist",))
    separated = source.ask("adjusted_separation_funnel", by=("dentist",))
    not_told = [] if with_practice or everyone.missing else [prose(peers.NO_PRACTICE, note=True)]
    recall = ask("recall_share")
    quality = every_page.quality(context, source, files=False)
    own_pairs = ask("sequence_comparison")
    held = _held(context, source, own)
    one_by_one = [source.process(name, "dentist") for name in WATCHED] if with_practice else []
    by_sequence = [source.process(name, "sequence") for name in WATCHED] if with_practice else []
    unhealed, overdue = ask("not_healed_list"), ask("recall_list")
    sentences = attention.collect(
        signals=[
            *(peer_rules.outside(words, (adjusted, separated), everyone, dentist, "peers") if with_practice else ()),
            *(peer_rules.sum_signal(answer, dentist, "peers") for answer in one_by_one),
            *(
                said
                # Sums of separations by sequence stand on the page of incidents alone.
                for answer, block in zip(by_sequence, ("comparison", ""), strict=False)
                for said in attention.incidents.cusum_signals(words, answer, answer, block)
            ),
        ],
        standards=[attention.standards.own_not_met(words, standard, answer, "work") for standard, answer in held],
        recall=[
            attention.recall.overdue(overdue, "review"),
            attention.recall.not_healed(unhealed, "review"),
            attention.recall.recall_low(words, recall, "outcome"),
        ],
        differences=[
            attention.differences.conclusion(words, own_pairs, row, "own teeth", "comparison")
            for row in own_pairs.rows
            if attention.differences.is_shown(words, row)
        ],
        data=[
            *attention.recall.with_own_reason(
                attention.recall.pai_missing(words, ask(f"{when}_pai_recorded"), "outcome", what)
                for when, what in WITHOUT_PAI.items()
            ),
            *every_page.lacking(context, source),
        ],
    )

    def by_group(id: str, by: str) -> list[Part]:
        classes = ask("outcome_classes", by)
        beside = ask("healed_share_decided", by), ask("functional_share", by), ask("healed_bounds", by)
        return [
            *outcome.divided(words, id, classes, recall=ask("recall_share", by)),
            *outcome.beside_healed(words, f"{id}-beside", classes, *beside),
        ]

    own_outcome = section(
        "outcome",
        "Outcome of own teeth",
        prose(
            *(
                figures.sentence(words, ask(name))
                for name in ("healed_share", "healed_share_decided", "functional_share")
            ),
            figures.sentence(words, recall),
        ),
        prose(*outcome.what_is_open(words, ask("healed_bounds"), ask("healed_share_weighted"))),
        prose(left_out(ask("outcome_classes", "sequence")), note=True),
        published(ask("healed_share")),
        by_group("healed-sequence", "sequence"),
        by_group("healed-tooth-type", "tooth_type"),
        prose("Film and CBCT see different things: they are told apart here and pooled nowhere.", note=True),
        outcome.divided(words, "healed-image", ask("outcome_classes", "image"), chart=False),
        outcome.seen_and_not(words, "recall-bias", ask("recall_bias")),
    )
    conclusions = _conclusions(context, own_pairs)
    own_separations = ask("separation_comparison")
    sequences = section(
        "comparison",
        "Does the sequence matter?",
        prose(
            "Crude differences mix the sequence with the teeth it was used in and with who used it when. The adjusted "
            f"ones compare like cases, as a trial would: completed teeth, read once, {_window(context)} months after "
            "completion; a tooth retreated, operated on or extracted for an endodontic reason by then is not healed.",
            comparison.allowed_for(own_pairs),
        ),
        comparison.compared(words, "compare-own", own_pairs, conclusions, "own teeth"),
        _practice_pairs(context, source) if with_practice else [],
        not_told,
    )
    own_work = section(
        "work",
        "Own time, work and separated instruments",
        split("own-time-canal", "chair_minutes_per_canal", "sequence"),
        work.adjusted_times(words, "own-time-adjusted", ask("adjusted_chair_time")),
        work.learned(words, "own-learning", ask("learning")),
        split("own-time-visit", "chair_minutes_per_visit", "tooth_type"),
        split("own-separations", "separations_per_100_canals", "sequence"),
        separations.compared(
            words,
            "own-separations-compared",
            own_separations,
            [attention.separations.conclusion(words, own_separations, row) for row in own_separations.rows],
            "own uses",
        ),
        work.quiet(words, "own-work", "Own work, all records", [ask(name) for name in WORK]),
        work.against_standards(words, "own-standards", held),
    )
    among: list[Part] = [] if with_practice else list(not_told)
    if one_by_one:
        among.append(
            prose(
                "Dentists treat unlike teeth. First, own teeth against those expected of teeth like the own ones, by "
                "the case mix that is recorded; then shares of all teeth as they came."
            )
        )
        among += peers.adjusted_among_peers(
            words, "peers-adjusted", adjusted, dentist, events="healed teeth", size="teeth"
        )
        among += peers.among_peers(words, "peers-funnel", everyone, dentist)
        among += peers.adjusted_among_peers(
            words, "peers-separations", separated, dentist, events="separations", size="canals", chart=False
        )
        for answer, id in zip(one_by_one, ("peers-sum", "peers-sum-separations"), strict=True):
            among += peers.tooth_by_tooth(words, id, answer, dentist, quiet=answer is not one_by_one[0])
    elif everyone.missing:
        among += peers.among_peers(words, "peers-funnel", everyone, dentist)
    review = section(
        "review",
        "Own cases to review",
        records.listed(
            "not-healed",
            unhealed,
            [
                plain_column(words, "Treatment", "treatment_id"),
                plain_column(words, "Tooth", "tooth"),
                (
                    "What was done",
                    lambda row: f"{words.value('kind', row['kind'])}; {words.value('sequence', row['sequence'])}",
                ),
                plain_column(words, "Completed", "completed_on"),
                plain_column(words, "Known on", "seen_on"),
                ("PAI before, now", lambda row: f"{_pai(row['preop_pai'])}, {_pai(row['outcome_pai'])}"),
                (
                    "Why",
                    lambda row: (
                        capital(plain(row["why"])) + ("; an instrument separated" if row["separations"] else "")
                    ),
                ),
            ],
            caption="Own cases that did not heal or were treated again, newest first: for review, not a judgement",
            empty="No own case is known not to have healed. Those not seen are not known.",
            hide=("dentist",),
        ),
        records.listed(
            "recalls",
            overdue,
            [
                plain_column(words, "Treatment", "treatment_id"),
                plain_column(words, "Tooth", "tooth"),
                plain_column(words, "Completed", "completed_on"),
                ("Months since", lambda row: count(row["months_since_completion"])),
                ("Last seen", lambda row: short_day(row["last_seen_on"]) if row["last_seen_on"] else "never"),
                ("Lesion before", lambda row: plain(row["lesion"] or NOT_RECORDED)),
                ("Separations", lambda row: count(row["separations"] or 0)),
                ("Window still open", lambda row: "yes" if row["window_open"] else "no"),
            ],
            caption="Own cases not seen in their recall window; those with a separation or a lesion first",
            empty="Every own case due for recall was seen in its window, or is known to be lost or treated again.",
            hide=("dentist",),
            open_rows=20,
        ),
    )
    return Page(
        stem=stem,
        title=f"Own outcomes, dentist {plain(dentist)}",
        lead="How do my teeth do, and does the sequence matter? For the dentist named, about own cases.",
        facts=every_page.facts(context, source, every_page.reach_words(context.first, source.as_of)),
        blocks=(
            every_page.page_attention(sentences),
            own_outcome,
            _over_time(context, ask),
            sequences,
            own_work,
            section("peers", "Against the others of the practice", among),
            review,
            quality,
            every_page.methods(context, source),
            every_page.cautions(),
        ),
        attention=sentences,
    )


# Of each, one figure of the own records: how teeth were treated, and what followed in the first months.
WORK = (
    "rubber_dam_share",
    "length_confirmed_share",
    "second_mesiobuccal_found",
    "adherence",
    "filling_quality",
    "flare_ups",
    "pain_after_visit",
    "restored_within_30_days",
    "restored_within_90_days",
    "restoration_delay",
)


# What follows where no PAI is recorded.
WITHOUT_PAI = {
    "preop": "Without it a tooth whose PAI is above 2 cannot be told healing, uncertain or not healed by its image.",
    "follow_up": "Without it a tooth cannot be told healed.",
}


# What is looked at tooth by tooth, each against its own risk.
WATCHED = ("healed_share", "separations_per_100_teeth")


def _over_time(context: Context, ask: Any) -> Block:
    """What happens to own teeth over the time since completion."""
    words = context.words

    def curve(id: str, name: str, *by: str, share: str, event: str, events: str) -> list[Part]:
        answer = ask(name, *by)
        horizons = answer.measure.horizons if answer.measure else ()
        return survival.curve(
            words,
            id,
            answer,
            share=share,
            axis="Months since completion",
            unit="months",
            at=horizons[:3] if by else horizons,
            event=event,
            events=events,
        )

    lost, healed = ask("endodontic_loss"), ask("time_to_healing")
    in_place = {"share": "Teeth still in place", "event": "extraction", "events": "extractions"}
    return section(
        "survival",
        "Over the time since completion",
        curve("survival-own", "tooth_survival", **in_place),
        curve("survival-sequence", "tooth_survival", "sequence", **in_place),
        over_time.losses(words, "losses", lost, lost.measure.horizons if lost.measure else ()),
        curve(
            "event-free",
            "event_free_survival",
            share="Teeth without retreatment, apical surgery or extraction",
            event="untoward event",
            events="untoward events",
        ),
        over_time.healing(words, "healing", healed, healed.measure.horizons if healed.measure else ()),
    )


def _conclusions(context: Context, answer: Any) -> list[Sentence]:
    return [attention.differences.conclusion(context.words, answer, row, whole=False) for row in answer.rows]


def _window(context: Context) -> str:
    first, last = context.settings.reporting.comparison_window_months
    return f"{first} to {last}"


def _practice_pairs(context: Context, source: Source) -> list[Part]:
    """The same comparison over the teeth of all dentists."""
    pairs = source.ask("sequence_comparison")
    return [
        prose(comparison.allowed_for(pairs)),
        *comparison.compared(context.words, "compare-practice", pairs, _conclusions(context, pairs), "whole practice"),
    ]


def _held(context: Context, source: Source, own: dict[str, str]) -> list[tuple[Any, Any]]:
    """Each standard of the practice whose measure knows dentists, with the own answer since the day it counts from."""
    held = []
    for standard in getattr(context.settings, "standards", ()):
        measure = source.catalogue.get(standard.measure)
        if measure is not None and "dentist" in measure.groups:
            start = standard.since if "happened_on" in measure.columns else None
            held.append((standard, source.ask(standard.measure, start=start, where=own)))
    return held


def _plan(asked: Asked) -> list[Planned]:
    """A page for every dentist on record, or for the one asked for."""
    known = _dentists(asked)
    if asked.alone and not known:
        raise UserError("the store knows no dentist to report on", do="Import treatments first")
    if asked.dentist is not None and asked.dentist not in known:
        raise UserError(f"no records of dentist {plain(asked.dentist)}", do=_who(known))
    return [
        Planned(stem, f"Own outcomes, dentist {plain(name)}", partial(_page, asked.context, name, stem))
        for name, stem in stems("outcomes", known).items()
        if asked.dentist in {None, name}
    ]


def _page(context: Context, dentist: str, stem: str, source: Source) -> Page:
    return page(context, source, dentist, stem)


def _dentists(asked: Asked) -> set[str]:
    """Every dentist on record: no measure knows them all, as each leaves out what it cannot count yet."""
    if asked.connection is None:
        return asked.source.groups("dentist")
    sql = "select dentist from treatments union select dentist from visits"
    return {dentist for (dentist,) in asked.connection.execute(sql).fetchall() if dentist is not None}


def _who(known: Collection[str]) -> str:
    if not known:
        return "Import records first"
    listed = [plain(k) for k in sorted(known)]
    more = f" and {len(listed) - 20} more" if len(listed) > 20 else ""
    return f"The records know {', '.join(listed[:20])}{more}"


def _linked(page: Page, standing: Sequence[Standing]) -> Page:
    """Leads to the audit, and to no other dentist's page."""
    return replace(page, links=tuple(s.link for s in standing if s.reader == "incidents"))


READER = Reader(
    place=3,
    title="Own outcomes",
    lead="For one dentist, about own cases: how do they do, and does the sequence matter?",
    plan=_plan,
    linked=_linked,
    own=True,
)
