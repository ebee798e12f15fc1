"""One dentist's own outcomes: how do my teeth do, and does the sequence matter? No other dentist is named here."""

from __future__ import annotations

from reports import attention
from reports.blocks import Page, Sentence, prose
from reports.evidence import comparison, figures, groups, records, survival
from reports.evidence.common import published
from reports.evidence.records import plain_column
from reports.pages import common
from reports.pages.common import Context, section
from reports.source import Source
from reports.words import NOT_RECORDED, capital, count, plain, short_day


def _pai(value: int | None) -> str:
    return "?" if value is None else str(value)


def page(context: Context, source: Source, dentist: str, stem: str) -> Page:
    """The whole page of one dentist, over all records."""
    words = context.words
    own = {"dentist": dentist}

    def ask(name: str, *by: str):  # type: ignore[no-untyped-def]
        return source.ask(name, by=by, where=own)

    def split(id: str, name: str, *by: str, what: str = "", extra=()):  # type: ignore[no-untyped-def]
        return groups.by_group(words, id, ask(name, *by), what=what, extra=extra)

    def recall_beside(*by: str):  # type: ignore[no-untyped-def]
        """The recall share of the same group, for the column beside an outcome."""
        recall = ask("recall_share", *by)

        def text(row):  # type: ignore[no-untyped-def]
            match = recall.find(**{b: row.get(b) for b in by}) if not recall.missing else None
            return words.with_n(recall.result, match, 0) if match else "not known"

        return (("Seen at recall of those due", text),)

    healed, recall = ask("healed_share"), ask("recall_share")
    outcome = section(
        "outcome",
        "Outcome of own teeth",
        prose(figures.sentence(words, healed), figures.sentence(words, recall)),
        published(healed),
        split("healed-sequence", "healed_share", "sequence", extra=recall_beside("sequence")),
        split("healed-tooth-type", "healed_share", "tooth_type", extra=recall_beside("tooth_type")),
    )
    lasting = ask("tooth_survival")
    horizons = lasting.measure.horizons if lasting.measure else ()
    in_place = section(
        "survival",
        "Teeth still in place",
        survival.curve(
            words,
            "survival-own",
            lasting,
            share="Teeth still in place",
            axis="Months since completion",
            unit="months",
            at=horizons,
            event="extraction",
            events="extractions",
        ),
        survival.curve(
            words,
            "survival-sequence",
            ask("tooth_survival", "sequence"),
            share="Teeth still in place",
            axis="Months since completion",
            unit="months",
            at=horizons[:3],
            event="extraction",
            events="extractions",
        ),
    )
    own_pairs, all_pairs = ask("sequence_comparison"), source.ask("sequence_comparison")

    def conclusions(answer) -> list[Sentence]:  # type: ignore[no-untyped-def]
        return [attention.differences.conclusion(words, answer, row) for row in answer.rows]

    sequences = section(
        "comparison",
        "Does the sequence matter?",
        prose(
            "Crude differences mix the sequence with the teeth it was used in. The adjusted ones compare only like "
            "cases: same tooth type, lesion before treatment or not, first treatment or retreatment."
        ),
        comparison.compared(words, "compare-own", own_pairs, conclusions(own_pairs), "own teeth"),
        comparison.compared(words, "compare-practice", all_pairs, conclusions(all_pairs), "whole practice"),
    )
    work = section(
        "work",
        "Own time and separated instruments",
        split("own-time-canal", "chair_minutes_per_canal", "sequence"),
        split("own-time-visit", "chair_minutes_per_visit", "tooth_type"),
        split("own-separations", "separations_per_100_canals", "sequence"),
    )
    unhealed, overdue = ask("not_healed_list"), ask("recall_list")
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
                plain_column(words, "Last seen", "seen_on"),
                ("PAI before, now", lambda row: f"{_pai(row['preop_pai'])}, {_pai(row['outcome_pai'])}"),
                (
                    "Why",
                    lambda row: (
                        capital(plain(row["why"])) + ("; an instrument separated" if row["separations"] else "")
                    ),
                ),
            ],
            caption="Own cases that did not heal, newest first: a list to review, not a judgement",
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
                ("Can still be seen in time", lambda row: "yes" if row["window_open"] else "no"),
            ],
            caption="Own cases due for recall and not seen; those with a separation or a lesion first",
            empty="No own case is due for recall.",
            hide=("dentist",),
            open_rows=20,
        ),
    )
    quality = common.quality(context, source, files=False)
    told = [
        attention.differences.conclusion(words, own_pairs, row, "own teeth", "comparison")
        for row in own_pairs.rows
        if attention.differences.is_shown(words, row)
    ]
    sentences = attention.collect(
        recall=[
            attention.recall.overdue(overdue, "review"),
            attention.recall.not_healed(unhealed, "review"),
            attention.recall.recall_low(words, recall, "outcome"),
        ],
        differences=told,
        data=common.lacking(context, source),
    )
    return Page(
        stem=stem,
        title=f"Own outcomes, dentist {plain(dentist)}",
        lead="How do my teeth do, and does the sequence matter? For the dentist named, about own cases.",
        facts=common.facts(context, source, common.reach_words(context.first, source.as_of)),
        blocks=(
            common.page_attention(sentences),
            outcome,
            in_place,
            sequences,
            work,
            review,
            quality,
            common.methods(context, source),
            common.cautions(),
        ),
        attention=sentences,
    )
