"""The workbook to fill in by hand: what is written into it arrives in the store, without a mapping."""

from __future__ import annotations

import datetime as dt
import io
import math
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import duckdb
import pytest

from pipeline.importing.parts import LeftAlone, Part, parts_of
from pipeline.output.sheets import new_book
from pipeline.output.template import GUIDE, template
from pipeline.records import KINDS, LANGUAGES, Column
from pipeline.sources import read as sources

WHOLE = list(KINDS.values())
FIRST_DAY = dt.datetime(1899, 12, 30)  # of the calendar of spreadsheets, for days after February 1900
MOMENT = dt.datetime(2024, 3, 4, 9, 0)
# What a record needs to be no contradiction in itself; any other cell has a word of its list, or what its type allows.
MEANT: dict[str, Any] = {"tooth": 36, "canal": "MB", "birth_year": 1980, "treatment_id": "0042", "instrument_id": "007"}


def value(column: Column, place: int) -> Any:
    if column.name in MEANT:
        return MEANT[column.name]
    if column.values or column.usual_values:
        return (column.values or column.usual_values)[-1]
    low, high = (column.range.low, column.range.high) if column.range else (0, 10)
    low, high = max(low, 0), min(high, low + 10)
    return {
        "text": f"{column.name} of 1 = 1",
        "int": math.ceil((low + high) / 2),
        "decimal": (low + high) / 4,
        "date": MOMENT.date(),
        "timestamp": MOMENT + dt.timedelta(minutes=place),
        "bool": False,
    }[column.type]


def filled(book: bytes, records: dict[str, list[dict[str, Any]]]) -> bytes:
    """The workbook with records typed in, as a spreadsheet program would: cells have the look of their column."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        names = re.findall(r'<sheet name="([^"]+)"', old.read("xl/workbook.xml").decode())
        for entry in old.namelist():
            text = old.read(entry)
            number = re.fullmatch(r"xl/worksheets/sheet(\d+)\.xml", entry)
            if number and (rows := records.get(names[int(number[1]) - 1])):
                text = _typed(text.decode(), rows).encode()
            new.writestr(entry, text)
    return made.getvalue()


def _typed(sheet: str, rows: list[dict[str, Any]]) -> str:
    columns = re.findall(r'<col min="(\d+)" max="(\d+)"[^>]*? style="(\d+)"', sheet)
    looks = {at: look for first, last, look in columns for at in range(int(first), int(last) + 1)}
    header = max(int(n) for n in re.findall(r'<row r="(\d+)"', sheet))
    typed = ""
    for row, record in enumerate(rows, start=header + 1):
        cells = ""
        for at, cell in enumerate(record.values(), start=1):
            name = f"{chr(64 + at)}{row}"
            look = f' s="{looks[at]}"' if at in looks else ""
            if isinstance(cell, bool):
                cell = "yes" if cell else "no"
            if isinstance(cell, dt.date):
                moment = cell if isinstance(cell, dt.datetime) else dt.datetime(cell.year, cell.month, cell.day)
                cell = (moment - FIRST_DAY) / dt.timedelta(days=1)
            if isinstance(cell, str):
                cells += f'<c r="{name}"{look} t="inlineStr"><is><t>{escape(cell)}</t></is></c>'
            else:
                cells += f'<c r="{name}"{look}><v>{cell!r}</v></c>'
        typed += f'<row r="{row}">{cells}</row>'
    assert "</sheetData>" in sheet
    return sheet.replace("</sheetData>", f"{typed}</sheetData>")


@pytest.mark.parametrize("language", [None, "pl"])
def test_what_is_filled_in_arrives_without_a_mapping(
    language: str | None, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    asked = ("--language", language) if language else ()
    there = tmp_path / "template.xlsx"
    assert canalwise("columns", "--workbook", there, *asked).code == 0
    records = {k.name: {c.name: value(c, at) for at, c in enumerate(k.columns)} for k in WHOLE}
    there.write_bytes(filled(there.read_bytes(), {kind: [record] for kind, record in records.items()}))
    store = tmp_path / "canalwise.duckdb"
    done = canalwise("ingest", there, "--store", store, "--json")
    assert done.code == 0, done.out + done.err
    assert {file["kind"]: file["loaded"] for file in done.json["files"]} == dict.fromkeys(KINDS, 1)
    assert "Left alone" not in done.err and "no records" not in done.err.lower()
    with duckdb.connect(str(store), read_only=True) as connection:
        for kind in WHOLE:
            stored = dict(
                zip(
                    kind.names,
                    connection.execute(f"select {', '.join(kind.names)} from {kind.name}").fetchall()[0],
                    strict=True,
                )
            )
            hidden = stored.pop("patient_id", None)
            assert hidden is None or hidden.startswith("pt-")
            assert stored == {name: cell for name, cell in records[kind.name].items() if name != "patient_id"}


def test_an_empty_one_says_that_there_are_no_records(canalwise: Callable[..., Any], tmp_path: Path) -> None:
    there = tmp_path / "template.xlsx"
    assert canalwise("columns", "visits", "canals", "--workbook", there).out == f"{there}\n"
    done = canalwise("ingest", there, "--store", tmp_path / "canalwise.duckdb")
    assert done.code == 0
    assert "There are no records in template.xlsx[visits], template.xlsx[canals]." in " ".join(done.err.split())
    assert "Left alone" not in done.err


def test_a_sheet_that_nobody_filled_in_is_named_and_the_others_are_imported(
    canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    visit = {c.name: value(c, at) for at, c in enumerate(KINDS["visits"].columns)}
    there = tmp_path / "some.xlsx"
    there.write_bytes(filled(template([KINDS["visits"], KINDS["canals"]]), {"visits": [visit]}))
    done = canalwise("ingest", there, "--store", tmp_path / "canalwise.duckdb")
    assert "No records in some.xlsx[canals]." in done.err


@pytest.mark.parametrize("language", [None, *LANGUAGES])
def test_every_sheet_has_the_columns_of_its_kind_in_order(language: str | None, tmp_path: Path) -> None:
    there = tmp_path / "template.xlsx"
    there.write_bytes(template(WHOLE, language))
    source = sources.open_source(there)
    assert source.sheets == [GUIDE[0], *KINDS, *GUIDE[1:]]
    found = [part for part in parts_of(source, None, None) if isinstance(part, Part)]
    assert [(part.table.sheet, part.how.kind) for part in found] == [(kind, kind) for kind in KINDS]
    for part in found:
        raw = part.table.read()
        assert raw.header == KINDS[part.how.kind].names
        words = [f"{c.words[language][0]}{' *' if c.required else ''}" for c in WHOLE[0].columns] if language else []
        if part.how.kind == "treatments":
            assert [line.text.split("\t") for line in raw.aside] == ([words] if language else [])


def test_a_sheet_of_such_a_name_in_another_workbook_is_told(tmp_path: Path) -> None:
    there = tmp_path / "own.xlsx"
    book = io.BytesIO()
    with new_book(book) as made:
        for name, head in (("visits", KINDS["visits"].names), ("lists", ("price", "from"))):
            made.add_worksheet(name).write_row(0, 0, head)
    there.write_bytes(book.getvalue())
    assert [type(part) for part in parts_of(sources.open_source(there), None, None)] == [Part, LeftAlone]


def sheet_of(book: bytes, number: int) -> str:
    with zipfile.ZipFile(io.BytesIO(book)) as there:
        return there.read(f"xl/worksheets/sheet{number}.xml").decode()


def test_lists_are_there_to_pick_from_and_dates_and_numbers_are_looked_at() -> None:
    book = template([KINDS["visits"], KINDS["treatments"]])
    checks = re.findall(r"<dataValidation .*?</dataValidation>", sheet_of(book, 2))
    kinds = [re.search(r'type="(\w+)"', check)[1] for check in checks]  # type: ignore[index]
    assert kinds == ["date", "date", "decimal", "list", "list"]
    assert 'sqref="E2:E1048576"' in checks[0] and "<formula2>TODAY()+1</formula2>" in checks[0]
    assert "<formula1>0</formula1><formula2>1440</formula2>" in checks[2]
    assert '<formula1>"yes,no"</formula1>' in checks[3]
    assert re.search(r"<formula1>lists!\$A\$2:\$A\$5</formula1>", checks[4])
    assert re.search(r'errorTitle="reason" error="reason: why the patient came', checks[4])


def test_it_has_no_macros_and_says_what_everything_is(tmp_path: Path) -> None:
    book = template(WHOLE, "de")
    with zipfile.ZipFile(io.BytesIO(book)) as there:
        names = there.namelist()
        texts = there.read("xl/sharedStrings.xml").decode()
        notes = "".join(there.read(name).decode() for name in names if name.startswith("xl/comments"))
    assert not [name for name in names if "vba" in name.lower() or name.endswith(".bin")]
    assert "For quality review, not for treatment decisions." in texts
    assert "Patient ids are hidden at import" in texts
    assert "Platz genommen *" in texts
    for kind in WHOLE:
        for column in kind.columns:
            assert escape(column.about) in texts and escape(column.about) in notes, column.name
            words = [word for word in (*column.values, *column.usual_values) if isinstance(word, str)]
            assert all(f">{escape(word)}<" in texts for word in words), column.name


def test_what_cannot_be_written_is_said(canalwise: Callable[..., Any], tmp_path: Path) -> None:
    there = tmp_path / "mine.xlsx"
    there.write_bytes(b"filled in")
    for arguments, says in (
        (("--workbook", there), "exists already"),
        (("--workbook", tmp_path / "mine.csv"), "ends in .xlsx"),
        (("--workbook", tmp_path / "nowhere" / "mine.xlsx"), "the folder does not exist"),
        (("--workbook", tmp_path / "new.xlsx", "--language", "nl"), "no words in 'nl'"),
        (("--language", "de"), "--language is that of a workbook"),
    ):
        done = canalwise("columns", *arguments)
        assert done.code == 2 and says in " ".join(done.err.split()), done.err
    assert there.read_bytes() == b"filled in"
    assert canalwise("columns", "canals", "--workbook", tmp_path / "new.xlsx", "--json").json["kinds"] == ["canals"]
