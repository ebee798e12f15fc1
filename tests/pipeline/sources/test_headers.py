"""Where the header is, which sign stands between cells, and what is set aside: in text files and in sheets alike."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from pipeline.errors import UserError
from pipeline.sources.head import BEFORE, REPEATED, TRAILER, join
from pipeline.sources.read import read
from pipeline.sources.table import Dialect, RawTable
from tests.pipeline.sources.asked import header

Rows = list[list[str]]
Write = Callable[[Rows], Path]


def knows(*names: str) -> Callable[[tuple[str, ...]], bool]:
    return lambda cells: set(names) <= set(cells)


@pytest.fixture(params=["text", "sheet"])
def write(request: pytest.FixtureRequest, tmp_path: Path) -> Write:
    """The same rows as a text file with semicolons, and as a sheet."""

    def of(rows: Rows) -> Path:
        path = tmp_path / "export.csv"
        if request.param == "text":
            path.write_text("".join(";".join(row) + "\n" for row in rows), encoding="utf-8")
            return path
        with xlsxwriter.Workbook(path := tmp_path / "export.xlsx") as book:
            sheet = book.add_worksheet()
            for i, row in enumerate(rows):
                for j, cell in enumerate(row):
                    if cell:
                        sheet.write_string(i, j, cell)
        return path

    return of


def told(path: Path, known: Callable[[tuple[str, ...]], bool] | None = None, **dialect: Any) -> RawTable:
    """The table; its header is what `header` says, and its lines add up."""
    how = Dialect(**{"delimiter": ";"} | dialect)
    table = read(path, how, knows=known)
    assert header(path, how, knows=known) == table.header
    assert table.lines is not None
    assert table.lines.aside == len(table.aside)
    assert table.lines.blank == table.blank_lines
    return table


def aside(table: RawTable) -> list[tuple[int, str]]:
    return [(a.source_row, a.reason) for a in table.aside]


REPORT: Rows = [
    ["Report", ""],
    ["", ""],
    ["printed", "1 March"],
    ["id", "fee"],
    ["1", "10"],
    ["id", "fee"],
    ["2", "20"],
    ["Total", "30"],
]


def test_preamble_repeated_header_and_totals_are_set_aside(write: Write) -> None:
    table = told(write(REPORT), knows("id", "fee"), trailer=("^Total", "^Sum"))
    assert table.header == ("id", "fee")
    assert table.rows.rows() == [(5, "1", "10"), (7, "2", "20")]
    assert [r for r in aside(table) if r[0] != 2] == [(1, BEFORE), (3, BEFORE), (6, REPEATED), (8, TRAILER)]
    assert table.found is not None and table.found.header_row == 4


def test_totals_that_nobody_declared_are_records(write: Write) -> None:
    assert told(write(REPORT), knows("id")).rows.rows()[-1] == (8, "Total", "30")


def test_the_header_may_be_declared_by_its_row(write: Write) -> None:
    table = told(write(REPORT), header_row=4)
    assert table.rows.rows()[0] == (5, "1", "10")
    with pytest.raises(UserError, match=r"row 99|line 99") as caught:
        told(write(REPORT), header_row=99)
    assert "8" in str(caught.value)
    blank = write([["id", "fee"], [], ["1", "2"]])
    with pytest.raises(UserError, match="is blank"):
        told(blank, header_row=2)


def test_without_a_known_header_it_is_the_first_line_that_is_not_blank(write: Write) -> None:
    rows: Rows = [[], ["a", "b"], ["1", "2"]]
    assert told(write(rows)).header == ("a", "b")
    assert told(write(rows), knows("nothing")).header == ("a", "b")


def test_a_known_header_is_looked_for_in_the_first_thirty_lines_that_are_not_blank(write: Write) -> None:
    for before, found in ((29, ("id", "fee")), (30, ("x", "y"))):
        rows: Rows = [["x", "y"]] * before + [[]] * 40 + [["id", "fee"], ["1", "2"]]
        assert told(write(rows), knows("id", "fee")).header == found


def test_no_header_at_all(write: Write) -> None:
    table = told(write([[], ["id", "fee"], ["1", "2"], ["id", "fee"]]), header_row=0)
    assert table.header == ("#1", "#2")
    assert table.rows.rows() == [(2, "id", "fee"), (3, "1", "2"), (4, "id", "fee")]
    assert table.lines is not None and table.lines.header == 0
    assert table.found is not None and table.found.header_row == 0


def test_several_rows_of_a_header_are_joined_and_merged_cells_filled_from_the_left(write: Write) -> None:
    top, below = ["", "MB", "", "DB", ""], ["id", "WL", "size", "WL", "size"]
    rows: Rows = [top, below, ["1", "20", "25", "19", "30"], top, below, ["2", "21", "25", "18", "30"], top]
    table = told(write(rows), knows("MB size"), header_rows=2)
    assert table.header == ("id", "MB WL", "MB size", "DB WL", "DB size")
    assert aside(table) == [(4, REPEATED), (5, REPEATED)]
    # The upper row alone is not the header, whatever it is.
    assert table.rows["source_row"].to_list() == [3, 6, 7]
    assert table.lines is not None and table.lines.header == 2


@pytest.mark.parametrize(
    ("rows", "joined"),
    [
        ([["a", "b"]], ("a", "b")),
        ([["A", "", ""], ["x", "y", "z"]], ("A x", "A y", "A z")),
        ([["A", ""], ["B"], ["x", "y", "z"]], ("A B x", "A B y", "A B z")),
        ([["A", "B"], ["", "y"]], ("A", "B y")),
        ([[" a ", "b\n"]], ("a", "b")),
    ],
)
def test_joining(rows: Rows, joined: tuple[str, ...]) -> None:
    assert join(rows) == joined


def test_merged_cells_of_a_sheets_header(tmp_path: Path) -> None:
    path = tmp_path / "wide.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        sheet.merge_range(1, 0, 2, 0, "id")
        sheet.merge_range(1, 1, 1, 2, "MB")
        sheet.write_row(2, 1, ["WL", "size"])
        sheet.write_row(3, 0, ["T1", 20.5, 25])
    table = told(path, header_row=2, header_rows=2)
    assert (table.header, table.rows.rows()) == (("id", "MB WL", "MB size"), [(4, "T1", "20.5", "25")])


def text(tmp_path: Path, content: str) -> Path:
    path = tmp_path / "export.csv"
    path.write_bytes(content.encode())
    return path


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_the_one_that_makes_a_known_header(tmp_path: Path, delimiter: str) -> None:
    # The line of text above would split into more cells under the other signs.
    path = text(tmp_path, "a,b;c\td|e,f;g\th|i\n" + delimiter.join(["id", "fee"]) + "\n" + f"1{delimiter}2\n")
    table = told(path, knows("id", "fee"), delimiter=None)
    assert table.rows.rows() == [(3, "1", "2")]
    assert table.found is not None and table.found.delimiter == delimiter


def test_of_two_delimiters_that_make_a_known_header_the_one_with_more_cells_is_meant(tmp_path: Path) -> None:
    assert told(text(tmp_path, "id;x,fee,note\n1,2,3\n"), knows("note"), delimiter=None).header == (
        "id;x",
        "fee",
        "note",
    )


def test_without_anything_to_tell_it_no_delimiter_is_an_error_of_the_caller(tmp_path: Path) -> None:
    path = text(tmp_path, "id;fee\n1;2\n")
    for ask in (read, header):
        with pytest.raises(ValueError, match="without a known header"):
            ask(path, Dialect(delimiter=None))
    assert told(path, knows("unknown"), delimiter=None).header == ("id", "fee")


@pytest.mark.parametrize("hint", ["sep=;", "sep=;\r", '"sep=;"', "SEP=;"])
def test_a_hint_for_spreadsheets_names_the_delimiter(tmp_path: Path, hint: str) -> None:
    table = told(text(tmp_path, f"\n{hint}\nid;fee\n1;2\n"), delimiter=None)
    assert table.rows.rows() == [(4, "1", "2")]
    assert aside(table) == [(2, "It names the sign between cells.")]
    # What is declared wins, and the hint is still none of the header.
    assert told(text(tmp_path, f"{hint}\nid,fee\n1,2\n"), delimiter=",").header == ("id", "fee")
    assert told(text(tmp_path, f"{hint}\n\n7;8\n"), delimiter=None, header_row=0).rows.rows() == [(3, "7", "8")]


def test_a_hint_alone_is_an_empty_file(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="the file is empty"):
        told(text(tmp_path, "sep=,\n\n"))


def test_the_quotation_mark(tmp_path: Path) -> None:
    assert told(text(tmp_path, "a;b\n';';'it''s'\n"), quote="'").rows.rows() == [(2, ";", "it's")]
    table = told(text(tmp_path, 'a;b\n5" long;"x\n"1";2\n'), quote="")
    assert table.rows.rows() == [(2, '5" long', '"x'), (3, '"1"', "2")]
    assert table.broken == ()


def test_lines_inside_a_quoted_cell_are_never_set_aside(tmp_path: Path) -> None:
    table = told(text(tmp_path, 'id;note\n1;"x\nid;note\nTotal"\nTotal;3\n'), trailer=("^Total",))
    assert table.rows.rows() == [(2, "1", "x\nid;note\nTotal")]
    assert aside(table) == [(5, TRAILER)]


def test_a_total_with_a_stray_quote_does_not_open_a_record(tmp_path: Path) -> None:
    table = told(text(tmp_path, 'id;note\n1;x\n"Total;3\n2;y\n'), trailer=("Total",))
    assert (table.rows["source_row"].to_list(), aside(table)) == ([2, 4], [(3, TRAILER)])


def test_a_header_with_line_ends_in_its_cells_is_known_when_repeated(tmp_path: Path) -> None:
    table = told(text(tmp_path, '"a\nb";c\n1;2\n"a\nb";c\n3;4\n'))
    assert table.rows.rows() == [(3, "1", "2"), (6, "3", "4")]
    assert aside(table) == [(4, REPEATED), (5, REPEATED)]


def test_thousands_of_blank_lines_before_the_header(tmp_path: Path) -> None:
    table = told(text(tmp_path, "\n" * 3000 + "id;fee\n1;2\n"))
    assert table.header == ("id", "fee")
    assert table.blank_lines == 3000


def test_a_pattern_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"\(\? is no regular expression"):
        told(text(tmp_path, "a;b\n"), trailer=("(?",))


@pytest.mark.parametrize(
    "wrong",
    [{"delimiter": ""}, {"delimiter": "||"}, {"delimiter": "\n"}, {"delimiter": "¦"}, {"delimiter": '"'},
     {"quote": "''"}, {"quote": "«"}, {"header_row": -1}, {"header_rows": 0}],
)  # fmt: skip
def test_a_dialect_that_cannot_be(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"must|header"):
        Dialect(**wrong)
