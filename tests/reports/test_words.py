"""How figures are written."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import pytest

from reports import words
from reports.words import Words

WORDS = Words("EUR", 0.95, {"a": "Six hand instruments"})


def result(kind: str, unit: str, *rows: dict) -> SimpleNamespace:
    return SimpleNamespace(kind=kind, unit=unit, rows=list(rows))


def row(estimate: float, low: float, high: float, n: int = 120, **more: object) -> dict:
    return {"estimate": estimate, "low": low, "high": high, "n": n, **more}


@pytest.mark.parametrize(
    ("kind", "unit", "figures", "expected"),
    [
        ("share", "share", row(0.8608, 0.8281, 0.8881), "86% (83 to 89%), n 120"),
        ("share", "share", row(0.987, 0.961, 0.996), "98.7% (96.1 to 99.6%), n 120"),
        ("share", "separations per 100 canals", row(0.8174, 0.558, 1.195, events=26), "0.82 (0.56 to 1.20), n 120"),
        ("rate", "separations per 1,000 uses", row(0, 0, 3.689), "0 (0.0 to 3.7), n 120"),
        ("rate", "separations per 1,000 uses", row(12.345, 7.1, 20.2), "12.3 (7.1 to 20.2), n 120"),
        ("time", "minutes", row(41.5, 35.2, 45.9, 1204), "42 min (35 to 46), n 1,204"),
        ("time", "minutes", row(12.25, 11.9, 13.04), "12.2 min (11.9 to 13.0), n 120"),
        ("amount", "EUR", row(9.634, 8.86, 10.41), "EUR 9.63 (8.86 to 10.41), n 120"),
        ("amount", "visits", row(1.87, 1.67, 2.06), "1.87 (1.67 to 2.06), n 120"),
        ("amount", "instruments", row(4.61, 4.2, 5.0), "4.6 (4.2 to 5.0), n 120"),
    ],
)
def test_a_figure_stands_with_interval_and_n(kind: str, unit: str, figures: dict, expected: str) -> None:
    written = WORDS.with_n(result(kind, unit, figures), figures)
    assert written.replace("\u00a0", " ") == expected


def test_a_group_too_small_keeps_its_figures_to_itself() -> None:
    small = {"estimate": None, "low": None, "high": None, "n": 3, "too_few": True}
    assert WORDS.with_n(result("share", "share", small), small) == "too few"
    assert WORDS.full(result("share", "share", small), small) == "too few"


def test_a_sentence_names_events_and_what_they_are_counted_in() -> None:
    rate = row(1.5625, 0.4, 5.5, 128, events=2)
    measure = SimpleNamespace(numerator="separations", denominator="instrumented teeth (treatments)")
    text = WORDS.full(result("share", "separations per 100 teeth", rate), rate, measure).replace("\u00a0", " ")
    assert text == "1.6 (95% interval 0.4 to 5.5; 2 separations in 128 instrumented teeth)"
    one = rate | {"events": 1}
    assert "1 separation in 128" in WORDS.full(result("share", "per 100 teeth", one), one, measure)


def test_figures_of_a_column_share_their_decimals() -> None:
    rates = result("rate", "per 100", row(0.28, 0.1, 0.6), row(0.9, 0.4, 2.0))
    assert [WORDS.figure(rates, r["estimate"]) for r in rates.rows] == ["0.28", "0.90"]


@pytest.mark.parametrize(
    ("code", "expected"), [("EUR", "EUR 1,234.50"), ("JPY", "JPY 1,234"), ("GBP", "GBP 1,234.50"), ("krw", "krw 1,234")]
)
def test_money_has_its_currency_and_its_minor_unit(code: str, expected: str) -> None:
    assert words.money(1234.5, code) == expected


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [(0.05, 1, "+5.0"), (-0.0651, 1, "\u22126.5"), (0.0, 1, "0.0"), (-0.0001, 1, "0.0"), (0.174, 0, "+17")],
)
def test_differences_carry_their_sign(value: float, decimals: int, expected: str) -> None:
    assert words.points(value, decimals) == expected


def test_dates_are_written_for_a_reader() -> None:
    assert words.day(date(2026, 10, 31)) == "31 October 2026"
    assert words.short_day(date(2026, 10, 1)).replace("\u00a0", " ") == "1 Oct 2026"
    assert words.month("2026-10") == "October 2026"
    assert words.month("2026-13") == "2026-13"
    assert words.short_month("2026-02") == "Feb 2026"


def test_groups_have_their_names() -> None:
    assert (
        WORDS.group({"sequence": "a", "tooth_type": "molar"}, ("sequence", "tooth_type"))
        == "Six hand instruments, Molars"
    )
    assert WORDS.value("sequence", None) == "Not recorded"
    assert WORDS.value("sequence", "mixed") == "More than one sequence"
    assert WORDS.value("sequence", "unknown-id") == "unknown-id"
    assert WORDS.group({}, ()) == "All"


def test_text_of_records_is_made_plain() -> None:
    assert words.plain("a\x00b\x1b[31m\u202eevil\u200b\n  c\ud800") == "ab[31mevil c"


@pytest.mark.parametrize(
    "text", ["short", "a sentence of several words that must be wrapped", "x" * 50, "", "ab " * 60]
)
def test_wrapped_lines_fit_and_lose_nothing_but_past_the_last(text: str) -> None:
    lines = words.wrap(text.strip(), 20)
    assert 1 <= len(lines) <= 4
    assert all(len(line) <= 20 for line in lines)
    whole = "".join(lines).replace(" ", "")
    if not whole.endswith("\u2026"):
        assert whole == text.replace(" ", "")
    assert whole.rstrip("\u2026") == text.replace(" ", "")[: len(whole.rstrip("\u2026"))]


def test_series_and_counts() -> None:
    assert words.series(["a", "b", "c"]) == "a, b and c"
    assert words.counted(1, "tooth", "teeth") == "1 tooth"
    assert words.counted(1200, "canal") == "1,200 canals"
    assert words.level(0.998) == "99.8%"
