"""How a file is written, told by looking: encodings, delimiters, quotes, headers, lines that are no records."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
import xlsxwriter

from pipeline.errors import UserError
from pipeline.mapping.draft.written import written
from pipeline.sources.source import Source, open_source

HEADER = "Fall;Zahn;Beginn;Bemerkung"
ROWS = [f"F{i};{11 + i % 8};{1 + i:02}.03.2024;gut" for i in range(20)]


def file(tmp_path: Path, lines: list[str], encoding: str = "utf-8", name: str = "export.csv") -> Source:
    path = tmp_path / name
    path.write_bytes("\r\n".join([*lines, ""]).encode(encoding))
    return open_source(path)


@pytest.mark.parametrize(
    ("encoding", "words", "found"),
    [
        ("utf-8", ["Müller", "größer"], None),
        ("utf-8-sig", ["Müller", "größer"], None),
        ("utf-16", ["Müller", "größer"], None),
        ("windows-1252", ["Müller", "größer"], "windows-1252"),
        ("windows-1252", ["10 €", "Müller"], "windows-1252"),
        ("windows-1250", ["żółć", "środek", "ząb"], "windows-1250"),
        ("mac-roman", ["Müller", "größer", "côté"], "mac-roman"),
        ("iso-8859-15", ["cœur", "être", "à"], "iso-8859-15"),
    ],
)
def test_the_encoding_is_told_from_the_letters_of_six_languages(
    tmp_path: Path, encoding: str, words: list[str], found: str | None
) -> None:
    rows = [row.replace("gut", words[i % len(words)]) for i, row in enumerate(ROWS)]
    how, raw = written(file(tmp_path, [HEADER, *rows], encoding))
    assert how.dialect.encoding == found
    assert how.questions == ()
    assert raw.rows["c3"].to_list() == [words[i % len(words)] for i in range(20)]


def test_encodings_that_read_the_bytes_alike_are_no_question(tmp_path: Path) -> None:
    how, _ = written(file(tmp_path, [HEADER, "F1;11;01.03.2024;für"], "iso-8859-1"))
    assert how.dialect.encoding == "windows-1252"
    assert set(how.encodings) == {"windows-1252", "windows-1250", "iso-8859-1", "iso-8859-15"}
    assert "would read the same" in how.says["encoding"]


def test_encodings_that_read_the_letters_otherwise_and_as_well_are_a_question(tmp_path: Path) -> None:
    # 0xF1 is ñ in the west and ń in the middle of Europe: both are letters of the six languages.
    how, _ = written(file(tmp_path, [HEADER, "F1;11;01.03.2024;koñ"], "windows-1252"))
    ((question, answers),) = how.questions
    assert "ñ" in question and "ń" in question
    assert answers[:2] == ('encoding = "windows-1252"', 'encoding = "windows-1250"')


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_the_sign_that_parts_all_lines_alike(tmp_path: Path, delimiter: str) -> None:
    lines = [line.replace(";", delimiter) for line in [HEADER, *ROWS]]
    assert written(file(tmp_path, lines))[0].dialect.delimiter == delimiter


def test_decimal_commas_are_no_delimiters(tmp_path: Path) -> None:
    how, raw = written(file(tmp_path, ["Fall;AL;Konus", *(f"F{i};20,{i};0,04" for i in range(9))]))
    assert how.dialect.delimiter == ";"
    assert raw.header == ("Fall", "AL", "Konus")


@pytest.mark.parametrize(
    ("cells", "quote"),
    [(["'a;b'", "'c'"] * 5, "'"), (['"a;b"', '"c"'] * 5, '"'), (['3" lang', "kurz"] * 5, "")],
)
def test_the_quotation_mark(tmp_path: Path, cells: list[str], quote: str) -> None:
    how, _ = written(file(tmp_path, ["Fall;Notiz", *(f"F{i};{cell}" for i, cell in enumerate(cells))]))
    assert how.dialect.quote == quote


def test_what_stands_above_the_header_is_passed_over(tmp_path: Path) -> None:
    how, raw = written(file(tmp_path, ["Praxis am Markt", "Zeitraum;01.03.2024", "", HEADER, *ROWS]))
    assert raw.header == tuple(HEADER.split(";"))
    assert raw.rows.height == 20
    assert how.notes


def test_a_header_of_two_rows_is_joined(tmp_path: Path) -> None:
    lines = [";;MB;;DB;", "Fall;Zahn;AL;ISO;AL;ISO", *(f"F{i};16;20;25;19;30" for i in range(9))]
    how, raw = written(file(tmp_path, lines))
    assert how.dialect.header_rows == 2
    assert raw.header == ("Fall", "Zahn", "MB AL", "MB ISO", "DB AL", "DB ISO")
    assert raw.rows.height == 9


@pytest.mark.parametrize(
    "total", ["Summe;;;20", "Total: 20;;;", ";Razem;;", "Łącznie;;;", "TOTALE;;;", "Total général;;;"]
)
def test_lines_of_sums_in_six_languages_are_no_records(tmp_path: Path, total: str) -> None:
    how, raw = written(file(tmp_path, [HEADER, *ROWS, total]))
    assert len(how.dialect.trailer) == 1
    assert raw.rows.height == 20
    assert len(raw.aside) == 1


def test_a_record_that_begins_with_such_a_word_stays_one(tmp_path: Path) -> None:
    rows = [row.replace("F3", "Total") for row in ROWS]
    how, raw = written(file(tmp_path, [HEADER, *rows]))
    assert how.dialect.trailer == ()
    assert raw.rows.height == 20


def test_full_lines_that_begin_like_a_sum_are_asked_about(tmp_path: Path) -> None:
    rows = [row.replace("F3", "Total") for row in ROWS]
    how, raw = written(file(tmp_path, [HEADER, *rows, "Total;;;20"]))
    ((question, answers),) = how.questions
    assert "1 full lines" in question
    assert tomllib.loads(answers[0])["trailer"]
    assert raw.rows.height == 21


def test_a_first_row_of_numbers_and_dates_is_no_header(tmp_path: Path) -> None:
    how, raw = written(file(tmp_path, ROWS))
    assert how.headerless
    assert how.questions == ()
    assert raw.header == ("#1", "#2", "#3", "#4")
    assert raw.rows.height == 20


def test_a_first_row_of_unknown_words_is_asked_about_and_not_shown(tmp_path: Path) -> None:
    how, raw = written(file(tmp_path, ["Abel;Berta;Carlo", "Dora;Emil;Frieda", "Gustav;Hanna;Igor"]))
    assert how.headerless and how.doubtful
    ((question, answers),) = how.questions
    assert "header_row" in question
    assert "Abel" not in question + "".join(answers)
    assert raw.header == ("#1", "#2", "#3")


def test_a_sheet_with_a_title_and_a_sum(tmp_path: Path) -> None:
    path = tmp_path / "liste.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("Fälle")
        sheet.write(0, 0, "Fälle 2024")
        sheet.write_row(2, 0, ["Fall", "Zahn", "Läsion mm"])
        for i in range(9):
            sheet.write_row(3 + i, 0, [f"F{i}", 16, 2.5])
        sheet.write_row(12, 0, ["Summe", None, 22.5])
    how, raw = written(open_source(path), "Fälle")
    assert raw.header == ("Fall", "Zahn", "Läsion mm")
    assert raw.rows.height == 9
    assert how.dialect.trailer


@pytest.mark.parametrize("data", [b"", b"\xef\xbb\xbf", b"Fall;Zahn\nF1;\0\n", b"\n\n"])
def test_what_cannot_be_read_is_one_clear_error(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(data)
    with pytest.raises(UserError, match=r"x\.csv"):
        written(open_source(path))
