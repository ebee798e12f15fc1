"""Separations of sequences on a page: the sentence, the picture of ratios, and the table."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

from reports.attention.separations import conclusion, shown
from reports.blocks import Figure, Table
from reports.evidence.separations import compared
from reports.source import Answer
from reports.words import Words

WORDS = Words()
ROW: dict[str, Any] = {
    "sequence": "a",
    "reference": "b",
    "n": 2400,
    "n_reference": 4100,
    "events": 11,
    "events_reference": 20,
    "patients": 90,
    "patients_reference": 140,
    "strata": 9,
    "n_used": 6100,
    "events_used": 30,
    "rate": 4.6,
    "rate_low": 2.3,
    "rate_high": 8.2,
    "rate_reference": 4.9,
    "rate_reference_low": 3.0,
    "rate_reference_high": 7.5,
    "crude_ratio": 0.94,
    "crude_low": 0.41,
    "crude_high": 2.04,
    "estimate": 0.81,
    "low": 0.33,
    "high": 1.9,
    "dentist_ratio": 3.2,
    "dentist_low": 0,
    "dentist_high": None,
    "dentist_events": 12,
    "p_value": 0.6,
    "p_adjusted": 0.6,
    "homogeneity_p_adjusted": None,
    "allowed_for": "curvature (recorded of 89 %)",
    "recorded_besides": "speed",
    "not_recorded_besides": "torque",
}
APART = {"estimate": 2.5, "low": 1.4, "high": 4.4, "p_adjusted": 0.01, "dentist_ratio": 2.4, "dentist_low": 1.2}


def answer(*rows: dict[str, Any]) -> Answer:
    measure = SimpleNamespace(title="Separations", caption="Crude and adjusted.", numerator="", denominator="")
    result = SimpleNamespace(kind="rate_comparison", unit="ratio", rows=list(rows), left_out=[])
    return Answer("separation_comparison", measure, result, (), None, None, {}, date(2026, 10, 31))


def parts(*rows: dict[str, Any]) -> dict[type, Any]:
    asked = answer(*rows)
    said = [conclusion(WORDS, asked, row) for row in rows]
    return {type(part): part for part in compared(WORDS, "versus", asked, said, "all records")}


def test_a_line_has_every_figure_of_its_pair() -> None:
    (line,) = parts(ROW)[Table].lines
    assert [str(cell).replace("\u00a0", " ") for cell in line.cells][1:] == [
        "0.94 (0.41 to 2.0)",
        "0.81 (0.33 to 1.9)",
        "3.2 (0 to any)",
        "11 of 2,400; 20 of 4,100",
        "4.6 (2.3 to 8.2); 4.9 (3.0 to 7.5)",
    ]


def test_the_sentence_is_that_of_the_command_line_in_the_type_of_a_page() -> None:
    said = conclusion(WORDS, answer(ROW), ROW).text
    assert said.startswith("no difference shown: among like uses 0.81 times as often (95% interval 0.33 to 1.9)")
    assert "curvature (recorded of 89%)" in said


def test_only_a_difference_shown_is_told_first() -> None:
    assert shown(WORDS, answer(ROW), "sequences") == []
    assert len(shown(WORDS, answer(ROW, ROW | APART), "sequences")) == 1


def test_a_side_without_separations_and_one_too_small_still_have_a_line() -> None:
    none = ROW | {"events": 0, "crude_ratio": 0.0, "crude_low": 0, "low": 0, "rate": 0.0, "rate_low": 0.0}
    small = dict.fromkeys(ROW) | {"sequence": "c", "reference": "b", "too_few": True}
    found = parts(none, small)
    assert [line.cells[1] for line in found[Table].lines] == ["0 (0\u00a0to\u00a02.0)", "too few"]
    assert "0.81 (0\u00a0to\u00a01.9)" in found[Figure].alt


def test_without_any_ratio_there_is_no_picture() -> None:
    nothing = dict.fromkeys(
        ("crude_ratio", "crude_low", "crude_high", "estimate", "low", "high", "dentist_ratio", "dentist_low")
    )
    found = parts(ROW | nothing | {"events": 0, "events_reference": 0})
    assert Figure not in found and not found[Table].lines[0].cells[1].startswith("0")
