"""The workbook reader: values as text, dates as ISO 8601, rows under the numbers that the sheet shows."""

from __future__ import annotations

import datetime as dt
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from pipeline.errors import UserError
from pipeline.sources import pool as pool_module
from pipeline.sources import workbook as reader
from pipeline.sources.pool import Pool
from pipeline.sources.read import find, open_source, read
from pipeline.sources.table import Dialect
from pipeline.sources.workbook import read_workbook
from tests.pipeline.sources.asked import header

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


def changed(path: Path, part: str, *replacements: tuple[str, str]) -> Path:
    """The workbook with texts of one of its parts replaced."""
    with zipfile.ZipFile(path) as old:
        contents = {name: old.read(name) for name in old.namelist()}
    for before, after in replacements:
        assert before.encode() in contents[part], contents[part]
        contents[part] = contents[part].replace(before.encode(), after.encode())
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in contents.items():
            new.writestr(name, content)
    return path


SHEET1 = "xl/worksheets/sheet1.xml"


def test_a_formula_that_was_never_computed_is_not_an_empty_cell(workbook: Workbook) -> None:
    """Libraries write formulas without a value; a spreadsheet program computes them when it opens the file."""
    cells = {(3, 2): "id", (3, 3): "n", (4, 2): "a", (4, 3): ("=1+1", 77), (5, 2): "b", (5, 3): ("=2+2", 88)}
    cells |= {(6, 2): "c", (6, 3): ('=""', 99), (9, 3): ("=3+3", 66)}
    path = changed(
        workbook(Sheet=cells),
        SHEET1,
        ("<v>77</v>", ""),
        ("<v>88</v>", "<v/>"),
        ('<c r="C6">', '<c r="C6" t="str">'),  # a formula whose value is the empty text has one
        ("<v>99</v>", "<v></v>"),
        ("<v>66</v>", "<v></v>"),  # alone in the last row
    )
    table = read_workbook(path, None)
    none = "#formula never computed"
    assert table.rows.rows() == [(4, "a", none), (5, "b", none), (6, "c", ""), (9, "", none)]


def test_numbers_keep_the_fifteen_digits_of_a_workbook(workbook: Workbook) -> None:
    path = workbook(
        S=grid(["n"], [0.123456789012345], [1 / 3], [0.1 + 0.2], [1e-7], [1e15], [-0.0000000012345], ["0.123456789"])
    )
    assert read_workbook(path, None).rows["c0"].to_list() == [
        "0.123456789012345",
        "0.3333333333333333",
        "0.3",
        "0.0000001",
        "1000000000000000",
        "-1.2345e-9",
        "0.123456789",
    ]


def test_times_of_day_come_without_a_day(tmp_path: Path) -> None:
    for first_day in (False, True):  # days count from 1900 or from 1904
        path = tmp_path / f"times{first_day}.xlsx"
        with xlsxwriter.Workbook(path, {"date_1904": first_day}) as book:
            sheet, clock = book.add_worksheet(), book.add_format({"num_format": "hh:mm"})
            sheet.write_row(0, 0, ["at"])
            sheet.write_datetime(1, 0, dt.time(9, 30), clock)
            sheet.write_number(2, 0, 0, clock)
            sheet.write_datetime(3, 0, dt.datetime(2024, 3, 5, 9, 30), clock)
        assert read_workbook(path, None).rows["c0"].to_list() == ["09:30:00", "00:00:00", "2024-03-05 09:30:00"]


OFFICE = "urn:oasis:names:tc:opendocument:xmlns:"
CALC = "urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"


def ods(path: Path, *tables: str, manifest: str = "") -> Path:
    """An OpenDocument spreadsheet (ISO/IEC 26300) with these rows; `c(...)` writes a cell."""
    body = "".join(f'<table:table table:name="S{i}">{rows}</table:table>' for i, rows in enumerate(tables, 1))
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr(
            "content.xml",
            f'<office:document-content xmlns:office="{OFFICE}office:1.0" xmlns:table="{OFFICE}table:1.0" '
            f'xmlns:text="{OFFICE}text:1.0" xmlns:calcext="{CALC}"><office:body><office:spreadsheet>{body}'
            "</office:spreadsheet></office:body></office:document-content>",
        )
        packed.writestr(
            "META-INF/manifest.xml",
            f'<manifest:manifest xmlns:manifest="{OFFICE}manifest:1.0"><manifest:file-entry manifest:full-path="/" '
            f'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet">{manifest}</manifest:file-entry>'
            "</manifest:manifest>",
        )
    return path


def c(text: str = "", **attributes: str) -> str:
    if text and not attributes:
        attributes = {"office:value-type": "string"}
    given = "".join(f' {name.replace("__", ":").replace("_", "-")}="{value}"' for name, value in attributes.items())
    return f"<table:table-cell{given}>{f'<text:p>{text}</text:p>' if text else ''}</table:table-cell>"


def row(*cells: str) -> str:
    return f"<table:table-row>{''.join(cells)}</table:table-row>"


def test_the_values_of_an_opendocument_sheet(tmp_path: Path) -> None:
    blank = '<table:table-row table:number-rows-repeated="2"><table:table-cell/></table:table-row>'
    failed = {"table__formula": "of:=1/0", "calcext__value_type": "error"}
    path = ods(
        tmp_path / "a.ods",
        blank
        + row(c(), c("id"), c("v"))
        + row(c(), c("number"), c("0,12", office__value_type="float", office__value="0.123456789012"))
        + row(c(), c("share"), c("4 %", office__value_type="percentage", office__value="0.04"))
        + row(c(), c("day"), c("5.3.24", office__value_type="date", office__date_value="2024-03-05"))
        + blank
        + row(c(), c("moment"), c("5.3.24", office__value_type="date", office__date_value="2024-03-05T09:30:00"))
        + row(c(), c("time"), c("09:30", office__value_type="time", office__time_value="PT09H30M15S"))
        + row(c(), c("long"), c("36:00", office__value_type="time", office__time_value="PT36H00M00.500000S"))
        + row(c(), c("yes"), c("WAHR", office__value_type="boolean", office__boolean_value="true"))
        + row(c(), c("formula"), c("2", table__formula="of:=1+1", office__value_type="float", office__value="2"))
        + row(c(), c("bare"), c(table__formula="of:=1+1"))
        + row(c(), c("failed"), c("#DIV/0!", office__value_type="float", office__value="0", **failed))
        + row(c(), c("failed"), c("#DIV/0!", office__value_type="string", office__string_value="", **failed)),
    )
    table = read_workbook(path, None)
    assert table.rows.rows() == [
        (4, "number", "0.123456789012"),
        (5, "share", "0.04"),
        (6, "day", "2024-03-05"),
        (9, "moment", "2024-03-05T09:30:00"),
        (10, "time", "09:30:15"),
        (11, "long", "36:00:00.5"),
        (12, "yes", "true"),
        (13, "formula", "2"),
        (14, "bare", "#formula never computed"),
        (15, "failed", "#failed formula"),
        (16, "failed", "#failed formula"),
    ]
    assert table.blank_lines == 4


def test_formulas_of_another_sheet_are_no_matter(tmp_path: Path) -> None:
    first = row(c("id"), c("v")) + row(c("a"), c(table__formula="of:=1+1"))
    path = ods(tmp_path / "a.ods", first, row(c("id"), c("v")) + row(c("a"), c("b")))
    assert read_workbook(path, "S2").rows.rows() == [(2, "a", "b")]
    assert read_workbook(path, "S1").rows.rows() == [(2, "a", "#formula never computed")]


def test_locked_and_old_workbooks_say_so(tmp_path: Path) -> None:
    compound = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)
    path = tmp_path / "book.xlsx"
    path.write_bytes(compound + "EncryptedPackage".encode("utf-16-le"))  # [MS-OFFCRYPTO] 1.3.3
    with pytest.raises(UserError, match="the workbook is locked by a password"):
        read_workbook(path, None)
    path.write_bytes(compound)
    with pytest.raises(UserError, match=r"is an old \.xls workbook"):
        read_workbook(path, None)
    locked = ods(tmp_path / "book.ods", row(c("a")), manifest="<manifest:encryption-data/>")
    with pytest.raises(UserError, match="the workbook is locked by a password"):
        read_workbook(locked, None)


@pytest.fixture
def children(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The commands that were started to read workbooks."""
    started: list[list[str]] = []
    run = subprocess.run

    def counted(command: list[str], **options: Any) -> Any:
        started.append(command)
        return run(command, **options)

    monkeypatch.setattr(reader.subprocess, "run", counted)
    return started


def test_all_questions_about_a_workbook_start_one_process(workbook: Workbook, children: list[list[str]]) -> None:
    book = open_source(workbook(First=grid(["a"], [1]), Second=grid(["b"], [2])))
    assert book.sheets == ["First", "Second"]
    assert [book.table(Dialect(), name).header for name in book.sheets] == [("a",), ("b",)]
    assert book.table(Dialect(), "Second").read().rows.rows() == [(2, "2")]
    assert len(children) == 1
    changed_book = open_source(workbook(First=grid(["a"], [1], [2])))
    assert changed_book.sheets == ["First"]
    assert len(children) == 2


def test_a_workbook_in_an_archive_is_one_process_too(
    workbook: Workbook, children: list[list[str]], tmp_path: Path
) -> None:
    inside = workbook(First=grid(["a"], [1]))
    with zipfile.ZipFile(tmp_path / "all.zip", "w") as packed:
        packed.write(inside, "one.xlsx")
        packed.write(workbook(Other=grid(["b"], [1])), "two.xlsx")
    with Pool() as pool:
        one, two = (open_source(file, pool) for file in find([tmp_path / "all.zip"], pool).files)
        assert (one.sheets, two.sheets, one.sheets) == (["First"], ["Other"], ["First"])
        assert two.table(Dialect()).header == ("b",)
    assert len(children) == 2


def test_what_is_kept_of_workbooks_is_bounded(
    workbook: Workbook, children: list[list[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pool_module, "TABLES", 0)
    with Pool() as pool:
        one = open_source(workbook(First=grid(["a"], [1])).rename(tmp_path / "one.xlsx"), pool)
        two = open_source(workbook(Second=grid(["b"], [1])).rename(tmp_path / "two.xlsx"), pool)
        asked = [book.sheets for book in (one, one, two, two, one)]
    assert asked == [["First"]] * 2 + [["Second"]] * 2 + [["First"]]
    assert len(children) == 3


@pytest.mark.parametrize(
    ("script", "says"),
    [
        ("import os; os.abort()", "its reader broke off"),
        ('import sys; sys.stdin.buffer.read(); print(\'{"error": "it takes too much memory"}\')', "too much memory"),
        ("import time; time.sleep(60)", "its reader was not done after 1 seconds"),
    ],
)
def test_a_reader_that_breaks_off_is_one_line(
    workbook: Workbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str, says: str
) -> None:
    child = tmp_path / "child.py"
    child.write_text(script)
    monkeypatch.setattr(reader, "_CHILD", child)
    monkeypatch.setattr(reader, "_PATIENCE", 1)
    with pytest.raises(UserError, match=says) as caught:
        read_workbook(workbook(S=grid(["a"], [1])), None)
    assert "\n" not in str(caught.value)


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is limited on Linux only")
def test_a_workbook_that_takes_too_much_memory_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "large.xlsx"
    with xlsxwriter.Workbook(path, {"constant_memory": True}) as book:
        sheet = book.add_worksheet()
        for i in range(6_000):
            sheet.write_row(i, 0, [f"{i}-{j}" for j in range(20)])
    monkeypatch.setattr(reader, "_MEMORY", 12)
    with pytest.raises(UserError, match="too much memory") as caught:
        read_workbook(path, None)
    assert "\n" not in str(caught.value)
    monkeypatch.undo()
    assert read_workbook(path, None).rows.height == 5_999
