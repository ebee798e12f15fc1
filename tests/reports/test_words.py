"""How figures are written."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.measures.catalogue import catalogue
from reports import words
from reports.evidence.common import axis_title, figure_head
from reports.evidence.records import kind_words
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
    ("value", "expected"),
    [(0.05, "+5.0"), (-0.0651, "\u22126.5"), (0.0, "0.0"), (-0.0001, "\u22120.01"), (0.174, "+17.4")],
)
def test_differences_carry_their_sign(value: float, expected: str) -> None:
    assert words.points(value) == expected


# ---- every measure of the catalogue: its figure, its heading, its axis, as a reader would write them by hand

SHARE = (row(0.8608, 0.8281, 0.8881), "86% (83 to 89%), n 120", "Share", "")
AS_A_READER_WRITES_IT: dict[str, tuple[dict, str, str, str]] = {
    "difference of shares": (
        row(-0.0249, -0.0893, 0.0395),
        "\u22122.5 points (\u22128.9 to +4.0), n 120",
        "Percentage points",
        "percentage points",
    ),
    "minutes": (row(41.5, 35.2, 45.9), "42 min (35 to 46), n 120", "Median", "median, minutes"),
    "s": (row(95.4, 92.1, 99.8), "95 s (92 to 100), n 120", "Median", "median, s"),
    "days": (row(12.0, 11.0, 13.0), "12.0 days (11.0 to 13.0), n 120", "Median", "median, days"),
    "points on the 0 to 10 scale": (
        row(4.0, 3.0, 4.0),
        "4.0 (3.0 to 4.0), n 120",
        "Median, points on the 0 to 10 scale",
        "median, points on the 0 to 10 scale",
    ),
    "EUR": (row(9.192, 9.054, 9.33), "EUR 9.19 (9.05 to 9.33), n 120", "Mean", "mean, EUR"),
    "visits": (row(1.773, 1.743, 1.803), "1.77 (1.74 to 1.80), n 120", "Mean, visits", "mean"),
    "canals": (row(7.471, 7.374, 7.568), "7.5 (7.4 to 7.6), n 120", "Mean, canals", "mean, canals"),
    "revolutions": (row(790.2, 774.2, 806.3), "790.2 (774.2 to 806.3), n 120", "Mean, revolutions", "mean"),
    "separations per 100 canals": (
        row(1.489, 1.193, 1.857),
        "1.5 (1.2 to 1.9), n 120",
        "Separations per 100 canals",
        "",
    ),
    "separations per 100 teeth": (row(3.08, 2.471, 3.833), "3.1 (2.5 to 3.8), n 120", "Separations per 100 teeth", ""),
    "incidents per 100 canals": (row(5.337, 4.726, 6.006), "5.3 (4.7 to 6.0), n 120", "Incidents per 100 canals", ""),
    "separations per 1,000 uses": (
        row(3.142, 2.48, 3.927),
        "3.1 (2.5 to 3.9), n 120",
        "Separations per 1,000 uses",
        "separations per 1,000 uses",
    ),
    "separations per 100,000 revolutions": (
        row(3.891, 2.983, 4.988),
        "3.9 (3.0 to 5.0), n 120",
        "Separations per 100,000 revolutions",
        "",
    ),
    "canals per separation": (
        row(67.16, 53.73, 85.1),
        "67.2 (53.7 to 85.1), n 120",
        "Canals per separation",
        "canals per separation",
    ),
    "ratio of times": (row(0.7598, 0.7359, 0.7845), "0.76 (0.74 to 0.78), n 120", "Ratio of times", "ratio of times"),
    "times as often": (row(1.23, 0.8709, 1.737), "1.23 (0.87 to 1.74), n 120", "Times as often", "times as often"),
    "ratio of separation rates": (
        row(0.8473, 0.446, 1.609),
        "0.85 (0.45 to 1.61), n 120",
        "Ratio of separation rates",
        "ratio of separation rates",
    ),
    "observed to expected": (
        row(1.064, 1.001, 1.107),
        "1.06 (1.00 to 1.11), n 120",
        "Observed to expected",
        "observed to expected",
    ),
    "ratio to the later cases": (
        row(1.547, 1.015, 2.357),
        "1.55 (1.01 to 2.36), n 120",
        "Ratio to the later cases",
        "ratio to the later cases",
    ),
}
INSTRUMENTS = {  # counted (mean) or forecast
    "amount": (row(4.744, 4.688, 4.8), "4.7 (4.7 to 4.8), n 120", "Mean, instruments", "mean"),
    "forecast": (row(89.92, 58.0, 127.0), "89.9 (58.0 to 127.0), n 120", "Expected, instruments", ""),
}
FIGURES = {name: m for name, m in catalogue().items() if m.kind not in ("list", "standards")}


@pytest.mark.parametrize("name", FIGURES)
def test_every_measure_is_written_with_its_own_unit(name: str) -> None:
    """A new unit has no line above: write one by hand, of how a reader would put it."""
    measure = FIGURES[name]
    unit = {"currency": "EUR"}.get(measure.unit, measure.unit)
    if unit.split()[0] == "share":
        figures, text, head, axis = SHARE
    elif unit == "instruments":
        figures, text, head, axis = INSTRUMENTS[measure.kind]
    else:
        figures, text, head, axis = AS_A_READER_WRITES_IT[unit]
    answer: Any = SimpleNamespace(result=result(measure.kind, unit, figures), title=measure.title)
    assert WORDS.with_n(answer.result, figures).replace("\u00a0", " ") == text
    assert figure_head(WORDS, answer) == f"{head} (95% interval)"
    # An axis names the unit once: in the measure's title, else behind it.
    middle, _, behind = axis.rpartition(", ")
    if behind and f" {behind} " in f" {measure.title.lower()} ":
        axis = middle
    assert axis_title(answer) == (f"{measure.title}, {axis}" if axis else measure.title)


@pytest.mark.parametrize(
    ("things", "one"),
    [
        ("separations of rotating instruments", "separation of rotating instruments"),
        ("instrumented teeth", "instrumented tooth"),
        ("uses", "use"),
        ("incidents", "incident"),
    ],
)
def test_one_thing_is_not_written_as_many(things: str, one: str) -> None:
    assert words.one_of(things) == one


def test_one_event_among_one_reads_as_such() -> None:
    one = row(1000.0, 25.3, 5571.6, n=1, events=1)
    measure = SimpleNamespace(numerator="separations", denominator="uses")
    text = WORDS.full(result("rate", "separations per 1,000 uses", one), one, measure)
    assert text.endswith("1 separation in 1 use)")


def test_a_day_is_one_day() -> None:
    rows = result("time", "days", row(1.0, 0.0, 30.0))
    assert WORDS.figure(rows, 1.0, 0) == "1 day"
    assert WORDS.figure(rows, 2.0, 0) == "2 days"


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


def test_record_kinds_are_named_as_one_writes_them() -> None:
    said = [kind_words(kind) for kind in ("follow_ups", "instrument_uses", "visits", "not_a_kind")]
    assert said == ["Follow-ups", "Instrument uses", "Visits", "Not a kind"]
