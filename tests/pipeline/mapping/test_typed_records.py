"""From text cells to typed records: declared formats only, and what does not parse is a fault of its row."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import pytest

from pipeline.mapping.apply import POLARS_TYPE, Typed, apply
from pipeline.mapping.model import FileOptions, KindMapping, canonical
from pipeline.sources.table import RawTable
from pipeline.store.records import KINDS


def typed(
    kind: str,
    columns: dict[str, Any],
    cells: dict[str, list[str]],
    *,
    constants: dict[str, str] | None = None,
    workbook: bool = False,
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
    return apply(raw, kind, mapping, FileOptions.model_validate(options), "here")


def column(kind: str, name: str, cells: list[str], **how: Any) -> tuple[list[Any], list[tuple[int, str]]]:
    """One column's values, and (line, reason) of each fault."""
    done = typed(kind, {name: "X"}, {"X": cells}, **how)
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
