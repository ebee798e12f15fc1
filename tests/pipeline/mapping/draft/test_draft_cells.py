"""What the cells of a column say: formats, notations, units, words. What reads two ways is a question."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import polars as pl
import pytest

from pipeline.mapping.draft.assign import confidence
from pipeline.mapping.draft.fit import Fit, fit
from pipeline.mapping.draft.profile import Profile


def of(kind: str, column: str, cells: Iterable[Any], header: str = "") -> Fit:
    return fit(kind, column, header, Profile(pl.Series("c0", [str(cell) for cell in cells])))


def asked(found: Fit, setting: str) -> list[object]:
    assert found.question
    return [settings[setting] for settings, _ in found.answers]


# --- dates ---


@pytest.mark.parametrize(
    ("cells", "form"),
    [
        (["31.12.2023", "01.02.2024"], "%d.%m.%Y"),
        (["13/02/2024", "25/03/2024", "01/02/2024"], "%d/%m/%Y"),
        (["02/13/2024", "03/25/2024", "02/01/2024"], "%m/%d/%Y"),
        (["2024-02-13", "2024-03-01"], "iso"),
        (["2024/02/13", "2024/03/01"], "%Y/%m/%d"),
        (["20240213", "20240301"], "%Y%m%d"),
        (["13.02.24", "31.03.24", "28.02.24"], "%d.%m.%y"),
        (["13 Feb 2024", "25 Mar 2024"], "%d %b %Y"),
    ],
)
def test_a_field_above_twelve_decides_the_order_of_day_and_month(cells: list[str], form: str) -> None:
    found = of("treatments", "started_on", cells)
    assert found.question == ""
    assert found.settings["format"] == form
    assert found.fit == 1


def test_dates_that_read_both_ways_are_a_question() -> None:
    found = of("treatments", "started_on", ["01/02/2024", "03/04/2024", "11/12/2024"])
    assert asked(found, "format") == ["%d/%m/%Y", "%m/%d/%Y"]


def test_dates_with_dots_are_asked_as_well_where_no_day_decides() -> None:
    assert asked(of("treatments", "started_on", ["01.02.2024"]), "format") == ["%d.%m.%Y", "%m.%d.%Y"]


def test_dates_of_two_orders_in_one_column_are_a_question() -> None:
    cells = [f"{day:02}/01/2024" for day in range(13, 20)] + [f"01/{day:02}/2024" for day in range(13, 20)]
    assert of("treatments", "started_on", cells).question


def test_one_slip_among_many_dates_does_not_make_the_order_doubtful() -> None:
    cells = [f"{1 + i % 28:02}/{1 + i % 12:02}/2024" for i in range(300)] + ["03/31/2024"]
    found = of("treatments", "started_on", cells)
    assert (found.question, found.settings["format"]) == ("", "%d/%m/%Y")
    assert 0.99 < found.fit < 1


@pytest.mark.parametrize(
    ("cell", "form"),
    [
        ("31.12.2023 09:05", "%d.%m.%Y %H:%M"),
        ("31.12.2023 09:05:30", "%d.%m.%Y %H:%M:%S"),
        ("12/31/2023 9:05 AM", "%m/%d/%Y %I:%M %p"),
        ("31/12/2023 09h05", "%d/%m/%Y %Hh%M"),
        ("2023-12-31T09:05:30", "iso"),
        ("2023-12-31 09:05", "iso"),
    ],
)
def test_times_are_read_with_their_dates(cell: str, form: str) -> None:
    found = of("visits", "seated_at", [cell])
    assert (found.fit, found.question, found.settings["format"]) == (1, "", form)


def test_dates_of_birth_are_no_dates_of_treatment() -> None:
    assert of("treatments", "started_on", [f"{i + 13}.01.{1940 + 3 * i}" for i in range(15)]).fit < 0.4


def test_days_without_times_do_not_fit_a_time_nor_times_a_day() -> None:
    assert of("visits", "seated_at", ["31.12.2023"]).fit < 0.5
    assert of("treatments", "started_on", ["31.12.2023 09:05"]).fit < 0.5


# --- teeth ---


def test_a_tooth_that_only_fdi_has_decides() -> None:
    found = of("treatments", "tooth", [16, 36, 11, 21])
    assert (found.settings, found.question) == ({"notation": "fdi"}, "")


def test_a_tooth_that_only_universal_has_decides() -> None:
    found = of("treatments", "tooth", [16, 30, 3, 11])
    assert (found.settings, found.question) == ({"notation": "universal"}, "")


def test_the_eighteen_numbers_of_both_notations_are_a_question() -> None:
    both = [*range(11, 19), *range(21, 29), 31, 32]
    assert asked(of("treatments", "tooth", both), "notation") == ["fdi", "universal"]


def test_a_header_that_names_the_notation_answers_it() -> None:
    both = [*range(11, 19), *range(21, 29)]
    assert of("treatments", "tooth", both, "Zahn (FDI)").settings == {"notation": "fdi"}
    assert of("treatments", "tooth", both, "Zahn (1-32)").settings == {"notation": "universal"}


def test_a_header_that_contradicts_the_teeth_does_not() -> None:
    assert of("treatments", "tooth", [36, 37, 46, 47], "tooth (universal)").settings == {"notation": "fdi"}


def test_teeth_of_two_notations_in_one_column_are_a_question() -> None:
    assert of("treatments", "tooth", [36, 37, 46, 47, 30, 3, 19, 2]).question


@pytest.mark.parametrize(
    ("cells", "notation"),
    [
        (["UR6", "LL4", "UL1"], "palmer"),
        (["6\u2518", "\u25146", "4\u2510"], "palmer"),
        (["upper right first molar", "lower left canine"], "iso names"),
    ],
)
def test_other_notations(cells: list[str], notation: str) -> None:
    assert of("treatments", "tooth", cells).settings == {"notation": notation}


# --- numbers and units ---


@pytest.mark.parametrize(
    ("kind", "column", "header", "cells", "settings"),
    [
        ("canals", "working_length_mm", "AL", ["20.5", "19"], {"decimal": "."}),
        ("canals", "working_length_mm", "AL", ["20,5", "19"], {"decimal": ","}),
        ("canals", "working_length_mm", "AL [cm]", ["2,05", "1,9"], {"decimal": ",", "unit": "cm"}),
        ("canals", "working_length_mm", "AL", ["2,05", "1,9"], {"decimal": ",", "unit": "cm"}),
        ("canals", "working_length_mm", "AL", ["205", "190"], {"unit": "0.1 mm"}),
        ("canals", "working_length_mm", "AL", ["20 mm", "19 mm"], {"unit": "mm"}),
        ("canals", "final_taper", "Konus", ["0,04", "0,06"], {"decimal": ","}),
        ("canals", "final_taper", "Konus", ["4", "6"], {"unit": "percent"}),
        ("canals", "final_taper", "Konus", [".04", ".06"], {"decimal": "."}),
        ("canals", "final_taper", "Konus", ["4 %", "6 %"], {"unit": "percent"}),
        ("instrument_uses", "torque_ncm", "Torque", ["2.5", "3"], {"decimal": "."}),
        ("instrument_uses", "torque_ncm", "Torque", ["250", "300"], {"unit": "gcm"}),
        ("instrument_uses", "seconds", "Dauer", ["00:35", "01:20"], {"unit": "mm:ss"}),
        ("instrument_uses", "seconds", "Dauer (min)", ["0.5", "1.5"], {"decimal": ".", "unit": "minutes"}),
        ("instrument_uses", "seconds", "Sekunden", ["35", "80"], {}),
        ("visits", "booked_minutes", "Dauer", ["60", "90"], {}),
    ],
)
def test_units_are_told_from_the_header_or_from_magnitudes(
    kind: str, column: str, header: str, cells: list[str], settings: dict[str, str]
) -> None:
    found = of(kind, column, cells, header)
    assert found.question == ""
    assert {name: value for name, value in found.settings.items() if value} == settings
    assert found.fit == 1


@pytest.mark.parametrize(
    ("kind", "column", "header", "cells", "units"),
    [
        ("instrument_uses", "seconds", "Dauer", ["5", "8", "12"], ["seconds", "minutes"]),
        ("instrument_uses", "peak_torque_ncm", "Torque max", ["4.5", "5"], ["Ncm", "Nmm"]),
        ("canals", "working_length_mm", "AL [cm]", ["20.5", "19"], ["cm", "mm"]),
        ("visits", "booked_minutes", "Dauer", ["01:00", "00:45"], ["hh:mm", "mm:ss"]),
    ],
)
def test_a_unit_that_two_magnitudes_fit_is_a_question(
    kind: str, column: str, header: str, cells: list[str], units: list[str]
) -> None:
    assert asked(of(kind, column, cells, header), "unit") == units


def test_commas_that_may_part_thousands_are_a_question() -> None:
    assert asked(of("instruments", "price", ["1,250", "2,100"]), "decimal") == [",", "."]


def test_numbers_out_of_range_fit_no_column() -> None:
    assert of("follow_ups", "pai", [12, 17, 25]).fit == 0
    assert of("treatments", "birth_year", [45, 61]).fit == 0


# --- words ---


def test_words_of_a_list_are_translated_and_our_own_stay() -> None:
    found = of("treatments", "kind", ["Erstbehandlung", "Revision", "primary"])
    assert found.settings == {"values": {"Erstbehandlung": "primary", "Revision": "retreatment"}}
    assert (found.fit, found.unknown_count) == (1, 0)


def test_unknown_words_are_shown_only_if_they_come_again() -> None:
    found = of("treatments", "status", ["abgeschlossen"] * 20 + ["ruht"] * 5 + ["Müller, Anna"])
    assert found.unknown == ("ruht",)
    assert found.unknown_count == 2


def test_words_of_which_none_is_known_are_never_shown() -> None:
    found = of("treatments", "kind", ["Lena", "Otto", "Paula"] * 20)
    assert found.unknown == ()
    assert found.fit < 0.6


def test_codes_of_two_letters_may_be_shown() -> None:
    assert set(of("treatments", "kind", ["P1", "R2"] * 20).unknown) == {"P1", "R2"}


def test_a_word_for_nothing_filled_in_is_said() -> None:
    found = of("canals", "working_length_mm", ["20.5", "k.A.", "19"], "AL")
    assert found.settings["values"] == {"k.A.": ""}


@pytest.mark.parametrize(
    ("cells", "true", "false"),
    [
        (["ja", "nein"], ("ja",), ("nein",)),
        (["oui", "non"], ("oui",), ("non",)),
        (["tak", "nie"], ("tak",), ("nie",)),
        (["J", "N"], ("j",), ("n",)),
        (["x", ""], ("x",), ()),
        (["true", "false"], (), ()),
        (["1", "0"], (), ()),
    ],
)
def test_yes_and_no(cells: list[str], true: tuple[str, ...], false: tuple[str, ...]) -> None:
    found = of("visits", "rubber_dam", cells)
    assert found.booleans == (true, false)
    assert found.fit == 1


def test_a_dash_beside_words_for_yes_alone_is_asked_about() -> None:
    assert asked(of("visits", "rubber_dam", ["ja", "-", "ja"]), "values") == [{"-": "false"}, {"-": ""}]
    assert of("visits", "rubber_dam", ["ja", "-", "nein"]).question == ""


def test_canals_by_other_names_ask_for_synonyms() -> None:
    assert of("canals", "canal", ["MB", "P"]).settings == {}
    assert of("canals", "canal", ["palatinal", "distobukkal"]).settings == {"synonyms": True}


def test_device_identifiers_give_themselves_away() -> None:
    found = of("instruments", "udi", ["(01)07300016350759(17)270200(10)A1", "(01)07300016350759(17)280100(10)B2"])
    assert found.fit == 1
    assert found.telling > 0.9


def test_telephone_numbers_are_no_ids() -> None:
    assert of("treatments", "treatment_id", ["030 1234567", "0171 7654321"]).fit < 0.5


@pytest.mark.parametrize("fixed", [0.0, 0.3, 0.7, 1.0])
def test_confidence_grows_with_each_of_its_parts_and_stays_within_bounds(fixed: float) -> None:
    steps = [i / 20 for i in range(21)]
    for moving in (
        [confidence(step, fixed, 0.5) for step in steps],
        [confidence(0.5, step, fixed) for step in steps],
        [confidence(0.5, fixed, step) for step in steps],
    ):
        assert moving == sorted(moving)
        assert all(0 <= value <= 1 for value in moving)
    assert confidence(1, 1, 0) == 1
    assert confidence(1, 0, 1) == 0
