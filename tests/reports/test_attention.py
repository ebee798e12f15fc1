"""Sentences that must be true to their figures."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.measures.sentence import ComparisonWords, sentence
from reports import attention
from reports.blocks import Sentence
from reports.evidence.records import left_empty, refused
from reports.series import Series, month_names, monthly
from reports.source import Answer
from reports.words import Words

WORDS = Words("EUR", 0.95, {"a": "Hand", "b": "Rotation"})


def answer(
    kind: str = "rate",
    unit: str = "per 100 canals",
    rows: Any = (),
    by: tuple[str, ...] = (),
    title: str = "Separations",
) -> Answer:
    measure = SimpleNamespace(title=title, kind=kind, numerator="separations", denominator="canals")
    result = SimpleNamespace(kind=kind, unit=unit, rows=list(rows), left_out=[])
    return Answer("name", measure, result, by, None, None, {}, date(2026, 10, 31))


def rate(events: int, estimate: float, low: float, high: float, **more: Any) -> dict[str, Any]:
    return {"n": 100, "events": events, "estimate": estimate, "low": low, "high": high, **more}


def pair(**changes: Any) -> dict[str, Any]:
    row = {"sequence": "b", "reference": "a", "n": 66, "n_reference": 80, "pairs": 6, "homogeneity_p_adjusted": 0.6}
    row |= {"estimate": 0.05, "low": -0.04, "high": 0.14, "p_adjusted": 0.3, "smallest_difference": 0.171}
    return row | changes


SHOWN: dict[str, Any] = {"estimate": 0.11, "low": 0.03, "high": 0.2, "p_adjusted": 0.01}


def conclude(**changes: Any) -> str:
    row = pair(**changes)
    return attention.differences.conclusion(
        WORDS, answer("comparison", rows=[row] * 6), row, "own teeth"
    ).whole.replace("\u00a0", " ")


def test_no_difference_says_what_could_have_been_shown() -> None:
    assert conclude() == (
        "Rotation against Hand, own teeth: no difference shown in the share of separations: +5.0 percentage points "
        "among like cases (95% interval \u22124.0 to +14.0); what lies in the interval is not ruled out, and with 66 "
        "and 80 cases at best a difference of about 18 points or more would have been shown four times in five."
    )


@pytest.mark.parametrize(
    "changes",
    [
        {},
        SHOWN,
        SHOWN | {"p_adjusted": 0.28},
        SHOWN | {"homogeneity_p_adjusted": 0.0341},
        {"cannot_compare": "each dentist used only one of them", "estimate": None},
        {"cannot_tell": "6 patients on a side, fewer than 10", "estimate": None},
        {"estimate": -0.11, "low": -0.2, "high": -0.03, "p_adjusted": 0.01},
        {"smallest_difference": None},
        {"low": None},
        {"too_few": True, "n": None, "n_reference": None, "estimate": None},
    ],
)
def test_a_page_and_the_command_line_say_the_same(changes: dict[str, Any]) -> None:
    printed = sentence(pair(**changes), ComparisonWords("sequence", "separations"))
    on_page = conclude(**changes)
    assert on_page.startswith("Rotation against Hand, own teeth: ")
    assert on_page.partition(": ")[2].replace("\u2212", "-").replace("95%", "95 %") == printed.partition(": ")[2]


def test_a_difference_shown_is_called_an_association_and_no_cause() -> None:
    text = conclude(**SHOWN)
    assert "11.0 percentage points higher with the first (95% interval +3.0 to +20.0)" in text
    assert "association" in text
    fewer = conclude(estimate=-0.11, low=-0.2, high=-0.03, p_adjusted=0.01)
    assert "11.0 percentage points lower with the first (95% interval \u221220.0 to \u22123.0)" in fewer


def test_an_interval_off_zero_is_no_difference_if_the_tests_together_do_not_bear_it_out() -> None:
    text = conclude(estimate=0.225, low=0.133, high=0.318, p_adjusted=0.28)
    assert "no difference shown" in text
    assert "no difference is shown after allowing for the 6 comparisons looked at (p 0.28)" in text


def test_strata_that_may_disagree_are_added_to_the_result() -> None:
    text = conclude(**SHOWN | {"homogeneity_p_adjusted": 0.0341})
    assert "a difference is shown" in text
    assert "the strata may disagree (test of equal odds ratios, p 0.034)" in text


@pytest.mark.parametrize(
    "changes", [{"estimate": None}, {"high": None}, {"too_few": True, "estimate": None, "n": None}]
)
def test_too_few_says_so_and_nothing_else(changes: dict[str, Any]) -> None:
    text = conclude(**changes)
    assert "cannot be told" in text
    assert not any(character.isdigit() for character in text)
    assert "points" not in text


def test_only_a_difference_shown_needs_attention() -> None:
    assert attention.differences.is_shown(WORDS, pair(**SHOWN))
    assert not attention.differences.is_shown(WORDS, pair())
    assert not attention.differences.is_shown(WORDS, pair(**SHOWN | {"p_adjusted": 0.2}))
    assert attention.differences.is_shown(WORDS, pair(**SHOWN | {"homogeneity_p_adjusted": 0.01}))
    assert not attention.differences.is_shown(WORDS, pair(**SHOWN | {"cannot_compare": "unlike"}))
    assert not attention.differences.is_shown(WORDS, pair(**SHOWN | {"too_few": True}))


def test_a_rate_needs_attention_only_if_its_whole_interval_lies_above_the_earlier_one() -> None:
    usual = answer(rows=[rate(20, 1.2, 0.8, 1.7)])
    high = answer(rows=[rate(9, 4.0, 1.9, 7.4)])
    within = answer(rows=[rate(2, 1.6, 0.4, 5.5)])
    found = attention.signals.rate_apart(WORDS, high, usual, "x", "October 2026", "the year before")
    assert found is not None and "whole interval lies above" in found.text and found.href == "x"
    assert found.data["estimate"] == "4.0" and found.data["events"] == "9"
    assert attention.signals.rate_apart(WORDS, within, usual, "x", "October 2026", "the year before") is None


def test_events_are_stated_with_what_they_do_not_show() -> None:
    usual = answer(rows=[rate(20, 1.2, 0.8, 1.7)])
    seen = attention.signals.events_seen(
        WORDS, answer(rows=[rate(2, 1.6, 0.4, 5.5)]), usual, "x", "October 2026", "the year before"
    )
    assert (
        seen is not None and "The interval holds the figure of the year before, 1.2: no change is shown." in seen.text
    )
    assert (
        attention.signals.events_seen(WORDS, answer(rows=[rate(0, 0, 0, 3)]), usual, "x", "October 2026", "before")
        is None
    )


def test_groups_of_people_are_never_set_apart() -> None:
    overall = answer(rows=[rate(20, 1.2, 0.8, 1.7)])
    rows = [rate(9, 4.0, 1.9, 7.4, dentist="D1", sequence="a")]
    assert attention.signals.groups_apart(WORDS, answer(rows=rows, by=("dentist",)), overall, "x") == []
    (found,) = attention.signals.groups_apart(WORDS, answer(rows=rows, by=("sequence",)), overall, "x")
    assert "sequence \u201cHand\u201d" in found.text and "Case mix may differ" in found.text


def test_nothing_needs_attention_when_so() -> None:
    assert attention.collect(harm=[None], data=[]) == (attention.NOTHING,)
    assert attention.NOTHING.text.startswith("Nothing needs attention")


def test_the_same_sentence_stands_once() -> None:
    one = Sentence("a")
    assert attention.collect(signals=[one, None], data=[one]) == (one,)


def test_what_concerns_patients_is_told_before_what_the_data_lack() -> None:
    refused, told, late = Sentence("refused"), Sentence("not told"), Sentence("late")
    assert attention.collect(data=[refused], recall=[late], harm=[told]) == (told, late, refused)


def months(values: list[float | None]) -> tuple[Answer, Series | None]:
    names = month_names(date(2025, 4, 1), date(2025, 4, 1).replace(year=2026, month=10))[-len(values) :]
    rows = [
        {"month": m, "n": 50, "estimate": v, "low": v - 2, "high": v + 2}
        for m, v in zip(names, values, strict=True)
        if v
    ]
    made = answer("time", "minutes", rows, ("month",), "Chair time per visit")
    return made, monthly(made, names)


# NIST/SEMATECH e-Handbook 6.3.2.2: ten batches, mean 50.81, limits 45.82 and 55.80 (with the printed d2 1.128).
NIST = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_the_last_month_is_judged_by_the_months_before_it() -> None:
    made, found = months([*NIST, 60.0])
    assert found is not None and found.centre == pytest.approx(50.81, abs=0.005)
    assert found.high == pytest.approx(55.80, abs=0.01) and found.low == pytest.approx(45.82, abs=0.01)
    assert found.now == "above the upper limit"
    sentence = attention.signals.month_signal(WORDS, made, found, "x")
    assert sentence is not None
    assert sentence.text.replace("\u00a0", " ") == (
        "Chair time per visit in October 2026: 60 min (95% interval 58 to 62; n 50), above the upper limit of the "
        "months before (56 min)."
    )


def test_a_usual_month_is_no_signal() -> None:
    made, found = months([*NIST, 50.0])
    assert found is not None and found.now is None and not found.signals
    assert attention.signals.month_signal(WORDS, made, found, "x") is None


def test_a_month_without_figure_keeps_its_place_and_signals_nothing() -> None:
    made, found = months([*NIST, None])
    assert found is not None and found.values[-1] is None
    assert attention.signals.month_signal(WORDS, made, found, "x") is None


def test_a_few_months_have_no_limits() -> None:
    _, five = months([*NIST[:5], 90.0])
    assert five is not None and five.centre is None and five.now is None and five.known == [*NIST[:5], 90.0]
    _, six = months([*NIST[:6], 90.0])
    assert six is not None and six.now == "above the upper limit"
    assert "limits are tentative" in six.note


def test_months_are_named_across_the_year() -> None:
    assert month_names(date(2025, 11, 3), date(2026, 2, 28)) == ["2025-11", "2025-12", "2026-01", "2026-02"]


def test_patients_not_told_are_counted_apart_from_those_not_recorded() -> None:
    rows = [{"patient_informed": v} for v in (True, False, None, None)]
    found = attention.incidents.not_told(answer("list", rows=rows), "x")
    assert found is not None
    assert (
        found.text
        == "Of 4 incidents, 1 says that the patient was not told and 2 do not say whether the patient was told."
    )
    assert found.href == "x" and found.data["n"] == "4" and found.data["measure"] == "name"
    rows = [{"patient_informed": v} for v in (False, False, None)]
    other = attention.incidents.not_told(answer("list", rows=rows), "x")
    assert other is not None and other.text == (
        "Of 3 incidents, 2 say that the patient was not told and 1 does not say whether the patient was told."
    )
    assert attention.incidents.not_told(answer("list", rows=[{"patient_informed": True}]), "x") is None
    assert attention.incidents.not_told(replace(answer("list", rows=rows), missing=("no incidents",)), "x") is None
    assert attention.incidents.not_told(answer("list"), "x") is None


def test_a_rate_is_not_held_against_what_is_not_there() -> None:
    usual, high = answer(rows=[rate(20, 1.2, 0.8, 1.7)]), answer(rows=[rate(9, 4.0, 1.9, 7.4)])
    none, few = answer(), answer(rows=[rate(9, 4.0, 1.9, 7.4, too_few=True)])
    lacking = [replace(one, missing=("no canals",)) for one in (usual, high)]
    open_low = answer(rows=[rate(9, 4.0, 1.9, 7.4) | {"low": None}])
    open_high = answer(rows=[rate(9, 4.0, 1.9, 7.4) | {"high": None}])
    touching = answer(rows=[rate(9, 4.0, 1.2, 7.4)])

    def apart(now: Answer, before: Answer) -> Sentence | None:
        return attention.signals.rate_apart(WORDS, now, before, "x", "October 2026", "the year before")

    said = apart(high, usual)
    assert said is not None and said.whole.replace("\u00a0", " ") == (
        "Separations, October 2026: 4.0 (95% interval 1.9 to 7.4; 9 separations in 100 canals). "
        "The whole interval lies above the figure of the year before: "
        "1.2 (95% interval 0.8 to 1.7; 20 separations in 100 canals)."
    )
    for now in (none, few, lacking[1], open_low, open_high, touching):
        assert apart(now, usual) is None
    for before in (none, few, lacking[0]):
        assert apart(high, before) is None


def test_events_are_stated_also_where_there_is_nothing_to_hold_them_against() -> None:
    seen = answer(rows=[rate(2, 1.6, 0.4, 5.5)])

    def stated(now: Answer, before: Answer) -> str:
        said = attention.signals.events_seen(WORDS, now, before, "x", "October 2026", "the year before")
        return "" if said is None else said.whole.replace("\u00a0", " ")

    alone = stated(seen, answer())
    assert alone == "Separations, October 2026: 1.6 (95% interval 0.4 to 5.5; 2 separations in 100 canals)."
    for estimate, held in ((0.4, True), (5.5, True), (0.39, False), (5.51, False)):
        said = stated(seen, answer(rows=[rate(20, estimate, 0.1, 6)]))
        assert ("no change is shown" in said) == held, estimate
    assert stated(replace(seen, missing=("no canals",)), answer()) == stated(answer(), answer()) == ""


def test_groups_are_set_apart_only_where_their_whole_interval_is() -> None:
    overall = answer(rows=[rate(20, 1.2, 0.8, 1.7)])

    def apart(*rows: dict[str, Any], of: Answer = overall) -> list[str]:
        found = attention.signals.groups_apart(WORDS, answer(rows=rows, by=("sequence",)), of, "x")
        return [sentence.text.partition(":")[0] for sentence in found]

    high, touching = rate(9, 4.0, 1.9, 7.4, sequence="a"), rate(9, 4.0, 1.2, 7.4, sequence="b")
    without = rate(9, 4.0, 1.9, 7.4, sequence="b") | {"low": None}
    assert apart(touching, without, high) == ["Separations, sequence \u201cHand\u201d"]
    (said,) = attention.signals.groups_apart(WORDS, answer(rows=[high], by=("sequence",)), overall, "x")
    assert said.href == "x" and said.data["estimate"] == "4.0"
    assert said.text.replace("\u00a0", " ") == (
        "Separations, sequence \u201cHand\u201d: 4.0 (95% interval 1.9 to 7.4; 9 separations in 100 canals), above the "
        "figure of all: 1.2 (95% interval 0.8 to 1.7; 20 separations in 100 canals). Case mix may differ."
    )
    assert apart(high, of=answer()) == apart(high, of=replace(overall, missing=("no canals",))) == []


@pytest.mark.parametrize(
    ("open_still", "said"),
    [
        (
            [True, False, True],
            "3 teeth due for recall were not seen in the recall window; for 2 of them it is still open.",
        ),
        ([False], "1 tooth due for recall was not seen in the recall window."),
    ],
)
def test_teeth_not_seen_in_their_window_may_have_been_seen_at_another_time(open_still: list[bool], said: str) -> None:
    listed = answer("list", rows=[{"window_open": x, "last_seen_on": date(2026, 1, 1)} for x in open_still])
    sentence = attention.recall.overdue(listed, "review")
    assert sentence is not None and sentence.text == said and sentence.data["n"] == str(len(open_still))
    assert attention.recall.overdue(answer("list"), "review") is None


def test_low_recall_and_refused_rows() -> None:
    low = answer("share", "share", [rate(40, 0.4, 0.3, 0.5)], title="Recall share")
    high = answer("share", "share", [rate(60, 0.6, 0.5, 0.7)], title="Recall share")
    half = answer("share", "share", [rate(50, 0.5, 0.4, 0.6)], title="Recall share")
    said = attention.recall.recall_low(WORDS, low, "x")
    assert said is not None and said.href == "x" and said.data["events"] == "40"
    assert said.text.replace("\u00a0", " ") == (
        "Recall share: 40% (95% interval 30 to 50%; 40 of 100). Fewer than half were seen in their "
        "recall window; the others may have done otherwise."
    )
    for silent in (half, high, answer(), replace(low, missing=("no follow-ups",))):
        assert attention.recall.recall_low(WORDS, silent, "x") is None
    rows = [{"rows_refused": 3}, {"rows_refused": None}, {}, {"rows_refused": 0}]
    refusals = attention.data.refused(answer("list", rows=rows), "x")
    assert refusals is not None and refusals.href == "x"
    assert (refusals.data["n"], refusals.data["measure"]) == ("3", "name")
    assert (
        refusals.text == "3 refusals of records in quarantine: refused rows count in no figure until they are mended."
    )
    assert attention.data.refused(answer("list", rows=rows[1:]), "x") is None


def test_cells_left_empty_are_told_with_the_refused_rows() -> None:
    rows = [{"rows_refused": 0, "cells_left_empty": n, "record_kind": "canals", "reason": "Too long."} for n in (13, 1)]
    (said,) = refused(Words(), "quarantine", answer("list", rows=rows))
    words = " ".join(sentence.text for sentence in said.sentences)  # type: ignore[union-attr]
    assert "No record waits in quarantine" in words
    assert "14 cells of records that were taken in were left empty" in words
    assert "figures count them as not recorded" in words
    assert left_empty(answer("list", rows=[{"rows_refused": 3}])) == ""
    assert left_empty(answer("list", rows=rows[1:])).startswith("1 cell of records that were taken in was left empty")
