"""Workbooks of pages, read back by another library (calamine, by way of Polars) and by their XML."""

from __future__ import annotations

import io
import re
import zipfile
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import fastexcel
import polars as pl
import pytest

from pipeline.output import sheets
from reports.blocks import Block, File, Items, Line, Page, Sentence, Table
from reports.render import render
from reports.workbook import workbook

MADE = date(2026, 11, 28)
# What a spreadsheet would run, follow or choke on; after Unicode's control characters the text goes on.
HOSTILE = '=HYPERLINK("https://x.example","see")\x00\x07\ud800\u202e https://x.example <b>&amp;{{7*7}} _x0041_'
STAYS = '=HYPERLINK("https://x.example","see") https://x.example <b>&amp;{{7*7}} _x0041_'


def page(*files: File, caption: str = "Time by month", note: str = "", title: str = "Monthly review") -> Page:
    """A page with a table for each file, and cautions."""
    tables = [
        Table(f"t{i}", f"{caption} {i}", ("a",), (Line(("1",)),), file=file, note=note) for i, file in enumerate(files)
    ]
    cautions = Items((Sentence("For quality review only."), Sentence("Associations are not causes.")))
    facts = (("Practice", "Ostrobrück"), ("Data up to", "30 June 2026"), ("Report made on", "28 November 2026"))
    return Page("p", title, "", facts, (Block("b", "B", tuple(tables)), Block("cautions", "Cautions", (cautions,))))


def frame(data: bytes, sheet: str) -> pl.DataFrame:
    return pl.read_excel(io.BytesIO(data), sheet_name=sheet, infer_schema_length=None)


def parts(data: bytes) -> dict[str, str]:
    with zipfile.ZipFile(io.BytesIO(data)) as found:
        return {name: found.read(name).decode() for name in found.namelist()}


def test_values_come_back_as_they_are() -> None:
    # 1/3 and its neighbour have 17 digits; 0.1 + 0.2 is the known case.
    numbers = [1 / 3, 0.1 + 0.2, -2.5e-17, 123456789.123456789, 7.0]
    rows = [
        {"x": x, "n": i, "day": date(2026, 6, 30), "at": datetime(2026, 6, 30, 9, 40, 15)}
        for i, x in enumerate(numbers)
    ]
    file = File("figures", ("x", "n", "day", "at"), rows)
    read = frame(workbook(page(file), MADE), "figures")
    assert read["x"].to_list() == numbers  # to the last bit
    assert read["n"].to_list() == [0, 1, 2, 3, 4]
    assert read.schema["day"] == pl.Date and read["day"].to_list() == [date(2026, 6, 30)] * 5
    assert read["at"].to_list() == [datetime(2026, 6, 30, 9, 40, 15)] * 5


@pytest.mark.parametrize(
    ("value", "read"),
    [
        (True, "yes"),
        (False, "no"),
        (None, None),
        (float("nan"), None),
        (float("inf"), "inf"),
        (Decimal("7.35"), 7.35),
        (2**53 + 1, "9007199254740993"),  # a cell holds a double, which has no such number
        (date(1899, 12, 31), "1899-12-31"),  # before the calendar of spreadsheets
        (["a", "b"], "a; b"),
        ("", None),
        ("012", "012"),
        ("https://x.example", "https://x.example"),
        (HOSTILE, STAYS),
        ("a\nb\tc", "a b c"),
    ],
)
def test_a_cell(value: Any, read: Any) -> None:
    data = workbook(page(File("f", ("before", "value"), [{"before": "x", "value": value}])), MADE)
    rows = fastexcel.read_excel(data).load_sheet("f", header_row=None, dtypes="string").to_polars().rows()
    assert rows[0] == ("before", "value")
    (cell,) = frame(data, "f")["value"].to_list() if "value" in frame(data, "f").columns else [None]
    assert cell == read


def test_text_of_records_is_never_a_formula_or_a_link() -> None:
    file = File("f", (HOSTILE, "b"), [{HOSTILE: HOSTILE, "b": "+1"}, {HOSTILE: "@x", "b": "-1"}])
    data = workbook(page(file, caption=HOSTILE, note=HOSTILE, title=HOSTILE), MADE)
    for name, xml in parts(data).items():
        assert "<f>" not in xml and not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]", xml), name
        assert "x.example" not in xml or name in ("xl/sharedStrings.xml", "docProps/core.xml", "docProps/app.xml"), name
        assert "TargetMode" not in xml, name  # no link leads out of the workbook
    assert frame(data, "f").rows() == [(STAYS, "+1"), ("@x", "-1")]


def test_the_first_sheet_says_whose_and_when_and_leads_to_the_others() -> None:
    files = [File("time", ("n",), [{"n": 1}, {"n": 2}]), File("cost", ("n",), [])]
    data = workbook(page(*files, note="Left out: 3."), MADE)
    book = fastexcel.read_excel(data)
    assert book.sheet_names == ["contents", "time", "cost"]
    front = book.load_sheet(0, header_row=None, dtypes="string").to_polars().rows()
    assert front[0][0] == "Monthly review"
    assert front[1:4] == [
        ("Practice", "Ostrobrück", None, None),
        ("Data up to", "30 June 2026", None, None),
        ("Report made on", "28 November 2026", None, None),
    ]
    assert [row[1] for row in front[4:6]] == ["For quality review only.", "Associations are not causes."]
    assert front[-2:] == [
        ("time", "Time by month 0", "2", "Left out: 3."),
        ("cost", "Time by month 1", "0", "Left out: 3."),
    ]
    xml = parts(data)["xl/worksheets/sheet1.xml"]
    assert re.findall(r'location="([^"]*)"', xml) == ["'time'!A1", "'cost'!A1"]
    sheet = parts(data)["xl/worksheets/sheet2.xml"]
    assert 'ySplit="1"' in sheet and 'state="frozen"' in sheet and "<cols>" in sheet


def test_sheets_have_names_that_a_workbook_may_have() -> None:
    wanted = ["Contents", "a" * 40, "a" * 41, "x/y:z", "'quoted'", "History", "", "𝟙" * 20, "a\x00b"]
    data = workbook(page(*(File(name, ("n",), [{"n": 1}]) for name in wanted)), MADE)
    names = fastexcel.read_excel(data).sheet_names
    assert len({name.lower() for name in names}) == len(wanted) + 1
    for name in names:
        assert 1 <= len(name.encode("utf-16-le")) // 2 <= 31 and not re.search(r"[\[\]:*?/\\\x00-\x1f]|^'|'$", name)
    assert names[1:3] == ["Contents-2", "a" * 31] and names[6] != "History"
    many = {sheets.sheet_name("a" * 40, used) for used in [set[str]()] for _ in range(120)}
    assert len(many) == 120 and max(map(len, many)) == 31


def test_the_same_page_gives_the_same_bytes() -> None:
    file = File("f", ("n", "s"), [{"n": 1.5, "s": "a"}])
    assert workbook(page(file), MADE) == workbook(page(file), MADE)
    assert "2026-11-28T00:00:00Z" in parts(workbook(page(file), MADE))["docProps/core.xml"]


def test_more_rows_than_a_sheet_holds_are_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reports.workbook.ROWS", 4)
    monkeypatch.setattr("pipeline.output.sheets.ROWS", 4)
    data = workbook(page(File("f", ("n",), [{"n": i} for i in range(5)])), MADE)
    assert frame(data, "f")["n"].to_list() == [0, 1, 2]
    front = fastexcel.read_excel(data).load_sheet(0, header_row=None, dtypes="string").to_polars().rows()
    assert front[-1][2:] == ("5", "Only the first 3 rows: a sheet holds no more. f.csv beside the page has all.")


def test_a_pages_workbook_holds_the_figures_of_its_files(fake: Any, settings: Any, tmp_path: Path) -> None:
    page = render(None, settings, tmp_path, which="monthly", month="2026-10")[1]
    book = page.with_suffix(".xlsx")
    csvs = {path.stem: path for path in (tmp_path / "figures" / page.stem).glob("*.csv")}
    assert set(fastexcel.read_excel(book).sheet_names[1:]) == set(csvs) and len(csvs) > 8
    assert not (tmp_path / "index.xlsx").exists()
    checked = 0
    for name, path in csvs.items():
        sheet, text = pl.read_excel(book, sheet_name=name), pl.read_csv(path)
        assert sheet.columns == text.columns and sheet.height == text.height
        if text.schema.get("estimate") == pl.Float64:
            assert sheet["estimate"].to_list() == text["estimate"].to_list()
            checked += text["estimate"].count()
    assert checked > 50
    assert f'<a href="{book.name}">workbook</a>' in page.read_text(encoding="utf-8")
