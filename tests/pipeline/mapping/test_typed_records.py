"""From text cells to typed records: declared formats only, and what does not parse is a fault of its row."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.mapping.apply import POLARS_TYPE, Typed, apply
from pipeline.mapping.model import FileOptions, KindMapping, canonical
from pipeline.mapping.patients import hide
from pipeline.records import KINDS
from pipeline.sources.table import FAILED, NOT_COMPUTED, RawTable
from pipeline.store.pseudonyms import pseudonyms


def typed(
    kind: str,
    columns: dict[str, Any],
    cells: dict[str, list[str]],
    *,
    constants: dict[str, str] | None = None,
    workbook: bool = False,
    here: str = "Europe/Vienna",
    **options: Any,
) -> Typed:
    """The typed rows of an export with these columns of cells; rows stand at lines 2, 3 ..."""
    mapping = KindMapping.model_validate({"columns": columns, "constants": constants or {}})
    many = len(next(iter(cells.values())))
    frame = pl.DataFrame(
        {"source_row": pl.Series(range(2, many + 2), dtype=pl.Int64)}
        | {f"c{i}": pl.Series(column, dtype=pl.String) for i, column in enumerate(cells.values())}
    )
    raw = RawTable(tuple(cells), frame, typed_cells=workbook)
    return apply(raw, kind, mapping, FileOptions.model_validate(options), "here", here, where="x.csv")


def column(
    kind: str, name: str, cells: list[str], own: dict[str, Any] | None = None, **how: Any
) -> tuple[list[Any], list[tuple[int, str]]]:
    """One column's values, and (line, reason) of each fault. `own`: what the mapping says of this column."""
    done = typed(kind, {name: {"from": "X", **(own or {})}}, {"X": cells}, **how)
    assert done.faults["column"].to_list() == [name] * len(done.faults)
    return done.records[name].to_list(), list(zip(done.faults["source_row"], done.faults["reason"], strict=True))


def faulty(faults: list[tuple[int, str]]) -> list[int]:
    return [line for line, _ in faults]


def test_numbers() -> None:
    cells = [
        "0.04",
        "-1",
        "25.0",
        "1e1",
        "",
        "  3 ",
        "x",
        "nan",
        "inf",
        "-Infinity",
        "1,5",
        "1_0",
        "0x1",
        "1 000",
        "1e400",
    ]
    values, faults = column("instruments", "taper", cells)
    assert values == [0.04, -1.0, 25.0, 10.0, None, 3.0] + [None] * 9
    assert faulty(faults) == list(range(8, 17))
    assert faults[0] == (8, "taper: x is not a number with decimal point.")


def test_whole_numbers() -> None:
    values, faults = column("instruments", "size", ["25", "25.0", "25.5", "", "2147483647", "2147483648", "nan", "1e2"])
    assert values == [25, 25, None, None, 2147483647, None, None, 100]
    assert faulty(faults) == [4, 7, 8]
    assert faults[0] == (4, "size: 25.5 is not a whole number.")


def test_decimal_comma_in_a_text_file() -> None:
    """A point may be a thousands sign there (1.234 mm or 1234 mm?), so it does not parse."""
    values, faults = column("instruments", "taper", ["0,04", "4", "1.234", "1.234,5", "1,2,3"], decimal=",")
    assert values == [0.04, 4.0, None, None, None]
    assert faults[0] == (4, "taper: 1.234 is not a number with decimal comma.")
    assert faulty(faults) == [4, 5, 6]


def test_a_workbooks_numbers_have_a_point_whatever_the_practices_text_files_have() -> None:
    assert column("instruments", "taper", ["0.04", "0,04"], decimal=",", workbook=True) == ([0.04, 0.04], [])


def test_dates() -> None:
    cells = ["2024-02-29", "2023-02-29", "29.02.2024", "2024-02-29 10:00", "", "soon"]
    values, faults = column("treatments", "started_on", cells)
    assert values == [dt.date(2024, 2, 29), None, None, None, None, None]
    assert faulty(faults) == [3, 4, 5, 7]
    assert faults[0] == (3, "started_on: 2023-02-29 is not a date written as %Y-%m-%d.")
    values, faults = column("treatments", "started_on", ["29.02.2024", "2024-02-29", "02/29/2024"], date="%d.%m.%Y")
    assert values == [dt.date(2024, 2, 29), None, None]
    assert faulty(faults) == [3, 4]


def test_a_workbooks_dates_are_iso_whatever_the_practices_text_files_have() -> None:
    cells = ["2024-02-29 00:00:00", "29.02.2024", "29/02/2024"]
    values, faults = column("treatments", "started_on", cells, date="%d.%m.%Y", workbook=True)
    assert values == [dt.date(2024, 2, 29), dt.date(2024, 2, 29), None]
    assert faulty(faults) == [4]
    cells = ["2024-02-29 10:30:00", "29.02.2024 10:30"]
    values, faults = column("visits", "seated_at", cells, timestamp="%d.%m.%Y %H:%M", workbook=True)
    assert values == [dt.datetime(2024, 2, 29, 10, 30)] * 2
    assert faults == []


def test_a_text_cell_of_a_workbook_is_a_date_as_a_whole_or_not_at_all() -> None:
    cells = ["2024-02-29", "2024-02-29 10:30:00", "2024-02-29?", "2024-02-29 or later"]
    values, faults = column("treatments", "started_on", cells, workbook=True)
    assert values == [dt.date(2024, 2, 29), dt.date(2024, 2, 29), None, None]
    assert faulty(faults) == [4, 5]


def test_timestamps() -> None:
    cells = [
        "2024-03-04 09:05:07",
        "2024-03-04 09:05",
        "2024-03-04T09:05:07",
        "2024-03-04T09:05",
        "2024-03-04 09:05:07.250",
        "2024-03-04",
        "2024-03-04 25:00",
        "2024-03-04 09:05:07Z",
        "04.03.2024 09:05",
    ]
    values, faults = column("visits", "seated_at", cells)
    moment = dt.datetime(2024, 3, 4, 9, 5)
    assert values[:5] == [
        moment.replace(second=7),
        moment,
        moment.replace(second=7),
        moment,
        moment.replace(second=7, microsecond=250_000),
    ]
    assert values[5:] == [None] * 4
    assert faulty(faults) == [7, 8, 9, 10]
    assert faults[0] == (7, "seated_at: 2024-03-04 is not a date and time written as %Y-%m-%d %H:%M:%S.")
    values, faults = column("visits", "seated_at", ["04.03.2024 09:05", cells[0]], timestamp="%d.%m.%Y %H:%M")
    assert values == [moment, None]
    assert faulty(faults) == [3]


def test_booleans() -> None:
    cells = ["true", "FALSE", "Yes", "no", "1", "0", "", "ja", "2", "vielleicht"]
    values, faults = column("visits", "rubber_dam", cells)
    assert values == [True, False, True, False, True, False, None, None, None, None]
    assert faulty(faults) == [9, 10, 11]
    assert faults[0] == (9, "rubber_dam: ja is not yes or no.")
    values, _ = column(
        "visits", "rubber_dam", ["JA", "Nein", "yes", "große"], true=["ja", "GROSSE", "Große"], false=["nein"]
    )
    assert values == [True, False, True, True]


def test_words_are_translated_whatever_their_case_and_unknown_ones_stay() -> None:
    words = {"from": "X", "values": {"Weiß": "primary", "Revision": "retreatment"}}
    done = typed("treatments", {"kind": words}, {"X": ["weiß", "WEIß", " REVISION ", "anders", ""]})
    assert done.records["kind"].to_list() == ["primary", "primary", "retreatment", "anders", None]


def test_words_are_translated_before_they_are_read_as_values() -> None:
    words = {"from": "X", "values": {"links oben 6": "14", "unbekannt": ""}, "notation": "universal"}
    done = typed("treatments", {"tooth": words}, {"X": ["Links oben 6", "3", "Unbekannt"]})
    assert done.records["tooth"].to_list() == [26, 16, None]
    assert done.faults.height == 0


def test_constants_stand_in_every_row() -> None:
    done = typed(
        "treatments", {"treatment_id": "Fall"}, {"Fall": ["a", "b"]}, constants={"kind": "primary", "tooth": "36"}
    )
    assert done.records["kind"].to_list() == ["primary", "primary"]
    assert done.records["tooth"].to_list() == [36, 36]


def test_unmapped_columns_are_absent_and_missing_ones_empty() -> None:
    done = typed("treatments", {"treatment_id": "Fall"}, {"Fall": ["a"], "Name": ["Anna"], "Telefon": ["0660 123"]})
    assert done.records.columns == ["record_no", "source_row", "practice", *KINDS["treatments"].names]
    assert "Anna" not in str(done.records.rows())
    assert done.records.drop("record_no", "source_row", "practice", "treatment_id").null_count().row(0) == (1,) * 14


def test_the_practice_of_a_row_is_its_own_or_else_that_of_the_settings() -> None:
    done = typed("treatments", {"treatment_id": "Fall", "practice": "Ort"}, {"Fall": ["a", "b"], "Ort": ["Nord", ""]})
    assert done.records["practice"].to_list() == ["Nord", "here"]
    assert typed("treatments", {"treatment_id": "Fall"}, {"Fall": ["a"]}).records["practice"].to_list() == ["here"]


@pytest.mark.parametrize("kind", KINDS)
def test_types_are_those_of_the_record_layout_even_without_rows(kind: str) -> None:
    raw = RawTable(
        KINDS[kind].names, pl.DataFrame(schema={"source_row": pl.Int64, **{f"c{i}": pl.String for i in range(40)}})
    )
    done = apply(raw, kind, canonical(raw.header, kind), FileOptions(), "here")
    assert done.records.height == 0
    expected = {c.name: POLARS_TYPE[c.type] for c in KINDS[kind].columns}
    assert dict(done.records.schema) == {
        "record_no": pl.Int64(),
        "source_row": pl.Int64(),
        "practice": pl.String(),
        **expected,
    }


def test_one_row_with_several_faults_is_named_for_each() -> None:
    done = typed("treatments", {"tooth": "Z", "started_on": "B"}, {"Z": ["36", "x"], "B": ["2024-01-02", "gestern"]})
    assert done.faults.select("source_row", "column", "rule").rows() == [
        (3, "tooth", "value_does_not_parse"),
        (3, "started_on", "value_does_not_parse"),
    ]


def test_a_year_of_two_digits_is_no_year_of_four() -> None:
    values, faults = column("treatments", "started_on", ["01.02.26", "01.02.2026"], date="%d.%m.%Y")
    assert values == [None, dt.date(2026, 2, 1)]
    assert faults == [(2, "started_on: 01.02.26 is not a date written as %d.%m.%Y.")]
    assert column("treatments", "started_on", ["01.02.26"], date="%d.%m.%y") == ([dt.date(2026, 2, 1)], [])


def test_a_columns_own_format_wins() -> None:
    values, faults = column("treatments", "started_on", ["03/31/2026"], {"format": "%m/%d/%Y"}, date="%d.%m.%Y")
    assert (values, faults) == ([dt.date(2026, 3, 31)], [])
    values, _ = column("visits", "seated_at", ["2026-03-31T09:00"], {"format": "iso"}, timestamp="%d.%m.%Y %H:%M")
    assert values == [dt.datetime(2026, 3, 31, 9, 0)]


@pytest.mark.parametrize(
    ("kind", "name", "cells", "likely"),
    [
        (
            "treatments",
            "started_on",
            ["03.04.2026", "", "05.06.2026"],
            '%d.%m.%Y. Declare it: date = "%d.%m.%Y" in [file]',
        ),
        ("treatments", "started_on", ["03/04/2026", "05/06/2026"], "%d/%m/%Y and as %m/%d/%Y"),
        ("treatments", "started_on", ["03/04/2026", "25/06/2026", "26/06/2026"], "reads as %d/%m/%Y. Declare"),
        ("visits", "seated_at", ["03.04.2026 09:00"], '%d.%m.%Y %H:%M. Declare it: timestamp = "%d.%m.%Y %H:%M"'),
    ],
)
def test_dates_that_nobody_declared_are_asked_for(kind: str, name: str, cells: list[str], likely: str) -> None:
    with pytest.raises(UserError) as caught:
        column(kind, name, cells)
    assert str(caught.value).startswith(f"x.csv: {kind}.{name}: the mapping does not say how it is written; most of it")
    assert likely in str(caught.value)
    assert "2026" not in str(caught.value)


def test_dates_are_asked_for_only_where_a_format_would_help() -> None:
    assert faulty(column("treatments", "started_on", ["soon", "2026-13-01"])[1]) == [2, 3]
    assert faulty(column("treatments", "started_on", ["2026-01-02", "03.04.2026", "05.06.2026"])[1]) == [3, 4]
    assert faulty(column("treatments", "started_on", ["03.04.2026"], date="%Y-%m-%d")[1]) == [2]
    assert column("treatments", "started_on", ["", ""]) == ([None, None], [])
    own = canonical(("started_on",), "treatments")
    rows = pl.DataFrame({"source_row": [2], "c0": ["03.04.2026"]})
    done = apply(RawTable(("started_on",), rows), "treatments", own, FileOptions(), "here")
    assert done.faults["column"].to_list() == ["started_on"]  # our own headers are ISO 8601 by contract


def test_date_and_time_from_two_columns() -> None:
    columns = {"seated_at": {"from": ["Tag", "Zeit"], "format": "%d.%m.%Y %H:%M"}}
    cells = {"Tag": ["31.03.2026", "31.03.2026", "", "31.03.2026"], "Zeit": ["09:05", "", "09:05", "abends"]}
    done = typed("visits", columns, cells)
    assert done.records["seated_at"].to_list() == [dt.datetime(2026, 3, 31, 9, 5), None, None, None]
    assert done.faults["source_row"].to_list() == [5]
    done = typed("visits", {"seated_at": columns["seated_at"] | {"join": "T", "format": "%d.%m.%YT%H:%M"}}, cells)
    assert done.records["seated_at"][0] == dt.datetime(2026, 3, 31, 9, 5)


def test_date_and_time_cells_of_a_workbook_are_joined() -> None:
    cells = {"Tag": ["2026-03-31 00:00:00", "2026-03-31"], "Zeit": ["1899-12-31 09:05:00", "09:05"]}
    done = typed("visits", {"seated_at": ["Tag", "Zeit"]}, cells, workbook=True, timestamp="%d.%m.%Y %H:%M")
    assert done.records["seated_at"].to_list() == [dt.datetime(2026, 3, 31, 9, 5)] * 2


def test_texts_are_joined_by_what_is_filled_in_and_ids_as_a_whole() -> None:
    columns = {"incident_id": {"from": ["A", "B"], "join": "-"}, "note": {"from": ["A", "B"], "join": "; "}}
    done = typed("incidents", columns, {"A": ["x", "x", "", ""], "B": ["y", "", "y", ""]})
    assert done.records["incident_id"].to_list() == ["x-y", None, None, None]
    assert done.records["note"].to_list() == ["x; y", "x", "y", None]


def test_a_pseudonym_stands_for_all_parts_of_an_id() -> None:
    """A mended export of refused rows has the pseudonym in the first of the columns, and the others empty."""
    pseudonym = "pt-" + "0a" * 16
    mapping = KindMapping.model_validate({"columns": {"patient_id": {"from": ["Name", "Geboren"]}}})
    rows = pl.DataFrame({"source_row": [2, 3], "c0": ["Anna", pseudonym], "c1": ["1980", ""]})
    hidden = hide(RawTable(("Name", "Geboren"), rows), "treatments", mapping, "here", b"key")
    done = apply(hidden.read, "treatments", hidden.mapping, FileOptions(), "here")
    assert done.records["patient_id"].to_list() == [*pseudonyms([("here", "Anna 1980")], b"key"), pseudonym]
    assert hidden.shown.rows["c0"].to_list() == done.records["patient_id"].to_list()
    assert hidden.shown.rows["c1"].to_list() == ["", ""]


def test_a_default_is_read_as_if_it_stood_in_the_cell() -> None:
    own = {"values": {"nein": "no"}, "default": "nein"}
    assert column("visits", "rubber_dam", ["yes", "", "  "], own)[0] == [True, False, False]
    assert column("canals", "working_length_mm", [""], {"default": "2,05", "unit": "cm"}, decimal=",")[0] == [20.5]


def test_a_template_is_made_from_other_columns() -> None:
    columns = {
        "use_id": {"template": "{practice}:{treatment_id}/{canal}/{step}@{started_at}"},
        "treatment_id": "Fall",
        "canal": "Kanal",
        "step": "Nr",
        "started_at": "Um",
    }
    cells = {"Fall": ["a", "a"], "Kanal": ["MB", ""], "Nr": ["1.0", "2"], "Um": ["2026-03-31 09:05"] * 2}
    done = typed("instrument_uses", columns, cells)
    assert done.records["use_id"].to_list() == ["here:a/MB/1@2026-03-31 09:05:00", None]


def test_clock_times_of_another_zone_become_the_practices() -> None:
    """Vienna is an hour ahead of UTC in winter and two in summer; in 2026 the change is on 29 March and 25 October."""
    cells = ["2026-03-01 08:00", "2026-07-01T08:00:00", "2026-03-29 00:59:59", "2026-03-29 01:00"]
    values, faults = column("visits", "seated_at", cells, time_zone="UTC")
    assert values == [
        dt.datetime(2026, 3, 1, 9, 0),
        dt.datetime(2026, 7, 1, 10, 0),
        dt.datetime(2026, 3, 29, 1, 59, 59),
        dt.datetime(2026, 3, 29, 3, 0),
    ]
    assert faults == []
    values, _ = column("visits", "seated_at", ["31.03.2026 09:00"], time_zone="UTC", timestamp="%d.%m.%Y %H:%M")
    assert values == [dt.datetime(2026, 3, 31, 11, 0)]
    values, _ = column("visits", "seated_at", ["2026-03-01 08:00"], time_zone="Europe/Vienna", here="America/New_York")
    assert values == [dt.datetime(2026, 3, 1, 2, 0)]


def test_an_hour_that_the_clock_skips_or_shows_twice_is_never_guessed() -> None:
    cells = ["2026-03-29 02:30", "2026-10-25 02:30", "2026-10-25 03:00", "2026-10-25 02:30:00+01:00"]
    values, faults = column("visits", "seated_at", cells, time_zone="Europe/Vienna")
    assert values == [None, None, dt.datetime(2026, 10, 25, 3, 0), dt.datetime(2026, 10, 25, 2, 30)]
    assert faults == [
        (2, "seated_at: 2026-03-29 02:30 is skipped or stands twice on the clock of Europe/Vienna."),
        (3, "seated_at: 2026-10-25 02:30 is skipped or stands twice on the clock of Europe/Vienna."),
    ]


def test_a_text_may_carry_its_offset_where_the_zone_is_declared() -> None:
    cells = [
        "2026-03-01T08:00:00+01:00",
        "2026-03-01 08:00+0100",
        "2026-03-01T07:00:00Z",
        "2026-03-01T07:00:00.000z",
        "2026-03-01T08:00:00+25:00",
    ]
    values, faults = column("visits", "seated_at", cells, time_zone="America/New_York")
    assert values == [dt.datetime(2026, 3, 1, 8, 0)] * 4 + [None]
    assert faulty(faults) == [6]
    values, faults = column("visits", "seated_at", cells[:3], timestamp="iso")
    assert values == [None] * 3
    assert faulty(faults) == [2, 3, 4]
    said = "seated_at: 2026-03-01T07:00:00Z carries its offset from UTC, and no mapping declares a time_zone."
    assert faults[2] == (4, said)
    values, _ = column("visits", "seated_at", ["01.03.2026 07:00 +0000"], {"format": "%d.%m.%Y %H:%M %z"})
    assert values == [dt.datetime(2026, 3, 1, 8, 0)]


def test_the_day_of_a_moment_is_the_day_at_the_practice() -> None:
    cells = ["2026-03-01T23:30:00+0000"]
    assert column("treatments", "started_on", cells, {"format": "%Y-%m-%dT%H:%M:%S%z"})[0] == [dt.date(2026, 3, 2)]
    own = {"format": "%d.%m.%Y %H:%M"}
    assert column("treatments", "started_on", ["01.03.2026 23:30"], own)[0] == [dt.date(2026, 3, 1)]
    assert column("treatments", "started_on", ["01.03.2026 23:30"], own, time_zone="UTC")[0] == [dt.date(2026, 3, 2)]


def test_columns_are_found_by_their_place() -> None:
    mapping = KindMapping.model_validate({"columns": {"treatment_id": "#2", "canal": "#1"}})
    rows = pl.DataFrame({"source_row": [1, 2], "c0": ["MB", "P"], "c1": ["a", "b"]})
    for header in (("", ""), ("X", "X"), ("#1", "#2")):
        done = apply(RawTable(header, rows), "canals", mapping, FileOptions(), "here")
        assert done.records.select("treatment_id", "canal").rows() == [("a", "MB"), ("b", "P")]


MOMENTS = st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2060, 1, 1)).map(
    lambda m: m.replace(second=0, microsecond=0)
)
ZONES = st.sampled_from(["UTC", "Europe/Vienna", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"])


@settings(deadline=None)
@given(MOMENTS, ZONES, ZONES)
def test_moments_keep_being_the_same_moment(moment: dt.datetime, theirs: str, here: str) -> None:
    """Against Python's own zone database: what a clock there showed, and what one here did."""
    utc = moment.replace(tzinfo=dt.UTC)
    there, ours = utc.astimezone(ZoneInfo(theirs)), utc.astimezone(ZoneInfo(here)).replace(tzinfo=None)
    doubled = there.replace(fold=0).utcoffset() != there.replace(fold=1).utcoffset()
    text = there.strftime("%d.%m.%Y %H:%M")
    values, _ = column("visits", "seated_at", [text], timestamp="%d.%m.%Y %H:%M", time_zone=theirs, here=here)
    assert values == [None if doubled else ours]
    values, _ = column("visits", "seated_at", [there.isoformat()], time_zone=theirs, here=here)
    assert values == [ours]


def test_a_formula_that_failed_is_no_text() -> None:
    header = ("treatment_id", "dentist")
    cells = {"source_row": [2, 3, 4], "c0": ["T1", "T2", "T3"], "c1": [FAILED, NOT_COMPUTED, "D1"]}
    raw = RawTable(header, pl.DataFrame(cells), typed_cells=True)
    typed = apply(raw, "treatments", canonical(header, "treatments"), FileOptions(), "here")
    assert typed.records["dentist"].to_list() == [None, None, "D1"]
    assert typed.faults.select("source_row", "column").rows() == [(2, "dentist"), (3, "dentist")]


def test_a_point_after_a_nought_or_nothing_parts_no_thousands() -> None:
    values, faults = column("instruments", "taper", [".06", "0.04", "0,05", "1.250", "12.5"], decimal=",")
    assert values == [0.06, 0.04, 0.05, None, None]
    assert faulty(faults) == [5, 6]
