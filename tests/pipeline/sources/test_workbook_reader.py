"""The workbook reader: values as text, dates as ISO 8601, rows under the numbers that the sheet shows."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from pipeline.errors import UserError
from pipeline.sources.read import header, read
from pipeline.sources.table import Dialect
from pipeline.sources.workbook import read_workbook

Workbook = Callable[..., Path]


@pytest.fixture
def workbook(tmp_path: Path) -> Workbook:
    """workbook(Sheet={(row, column): value}) -> a file; rows and columns count from 1, as a person counts."""

    def of(**sheets: dict[tuple[int, int], Any]) -> Path:
        path = tmp_path / "book.xlsx"
        with xlsxwriter.Workbook(path) as book:
            day = book.add_format({"num_format": "dd/mm/yyyy"})
            moment = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
            for name, cells in sheets.items():
                sheet = book.add_worksheet(name)
                for (row, column), value in cells.items():
                    if isinstance(value, dt.datetime):
                        sheet.write_datetime(row - 1, column - 1, value, moment)
                    elif isinstance(value, dt.date):
                        sheet.write_datetime(row - 1, column - 1, value, day)
                    elif isinstance(value, tuple):  # a formula and the value that was computed last
                        sheet.write_formula(row - 1, column - 1, value[0], None, value[1])
                    else:
                        sheet.write(row - 1, column - 1, value)
        return path

    return of


def grid(*rows: list[Any]) -> dict[tuple[int, int], Any]:
    return {(i, j): value for i, row in enumerate(rows, 1) for j, value in enumerate(row, 1) if value is not None}


def test_values_come_as_a_program_reads_them(workbook: Workbook) -> None:
    path = workbook(
        Sheet=grid(
            ["day", "at", "whole", "part", "yes", "no", "code", "formula"],
            [
                dt.date(2024, 3, 5),
                dt.datetime(2024, 3, 5, 10, 30),
                25,
                0.045,
                True,
                False,
                "007",
                ("=1/4", 0.25),
            ],
        )
    )
    table = read_workbook(path, None)
    assert table.header == ("day", "at", "whole", "part", "yes", "no", "code", "formula")
    assert table.rows.rows() == [
        (2, "2024-03-05 00:00:00", "2024-03-05 10:30:00", "25", "0.045", "true", "false", "007", "0.25")
    ]
    assert table.typed_cells


def test_blank_rows_are_counted_and_row_numbers_are_those_of_the_sheet(workbook: Workbook) -> None:
    cells = {(3, 2): "id", (3, 3): "n", (4, 2): "a", (7, 2): "b", (7, 3): 2, (9, 2): "  "}
    table = read_workbook(workbook(Sheet=cells), None)
    assert table.header == ("id", "n")
    assert table.rows.rows() == [(4, "a", ""), (7, "b", "2")]


def test_a_failed_formula_is_not_an_empty_cell(workbook: Workbook) -> None:
    rows = grid(["id", "n"], ["a", ("=1/0", "#DIV/0!")], ["b", 1], ["c", ("=1/0", "#DIV/0!")])
    table = read_workbook(workbook(Sheet={(row + 2, column): v for (row, column), v in rows.items()}), None)
    assert table.rows["c1"].to_list() == ["#failed formula", "1", "#failed formula"]
    assert table.rows["c0"].to_list() == ["a", "b", "c"]


def test_the_first_sheet_is_read_unless_one_is_named(workbook: Workbook) -> None:
    path = workbook(First=grid(["a"], [1]), Second=grid(["b"], [2]))
    assert read_workbook(path, None).header == ("a",)
    assert read_workbook(path, "Second").rows.rows() == [(2, "2")]
    assert header(path, Dialect(), "Second") == ("b",)
    with pytest.raises(UserError, match=r"no sheet Third; it has First, Second"):
        read_workbook(path, "Third")


def test_a_header_alone_and_an_empty_sheet(workbook: Workbook) -> None:
    table = read_workbook(workbook(Sheet=grid(["a", "b"])), None)
    assert (table.header, table.rows.height) == (("a", "b"), 0)
    with pytest.raises(UserError, match="the sheet is empty"):
        read_workbook(workbook(Sheet={}), None)


def test_a_text_file_with_the_name_of_a_workbook_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(UserError, match=r"is not an \.xlsx or \.ods workbook"):
        read(path, Dialect())


def test_a_zip_that_is_no_workbook_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("hello.txt", "hello")
    with pytest.raises(UserError, match="the workbook cannot be read") as caught:
        read_workbook(path, None)
    assert "\n" not in str(caught.value)


def test_a_damaged_workbook_is_one_line(workbook: Workbook) -> None:
    path = workbook(Sheet=grid(["a"], [1]))
    data = bytearray(path.read_bytes())
    at = data.index(b"xl/workbook.xml") + 20
    data[at : at + 100] = b"\0" * 100
    path.write_bytes(bytes(data))
    with pytest.raises(UserError) as caught:
        read_workbook(path, None)
    assert "\n" not in str(caught.value)


def test_a_workbook_that_unpacks_to_far_more_than_its_size_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * (8 << 20))
    with pytest.raises(UserError, match="the workbook unpacks to 8 MB"):
        read_workbook(path, None)
