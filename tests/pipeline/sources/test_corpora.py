"""The reader on public and made-up corpora of awkward files, where they lie beside the checkout (skipped elsewhere).

csv-spectrum: github.com/maxogden/csv-spectrum, BSD-2-Clause; each file comes with the cells that it must give.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.sources.read import read
from pipeline.sources.table import Dialect

CORPORA = Path(__file__).resolve().parents[4] / "shared" / "corpora"
SPECTRUM, SYNTHETIC = CORPORA / "csv-spectrum", CORPORA / "synthetic"


def rows(path: Path, **dialect: str) -> tuple[tuple[str, ...], list[tuple[str, ...]], list[int]]:
    table = read(path, Dialect(**dialect))
    return table.header, table.rows.drop("source_row").rows(), [b.source_row for b in table.broken]


@pytest.mark.skipif(not SPECTRUM.is_dir(), reason="no corpus beside this checkout")
@pytest.mark.parametrize("path", sorted(SPECTRUM.glob("csvs/*.csv")), ids=lambda p: p.stem)
def test_csv_spectrum(path: Path) -> None:
    expected = json.loads((SPECTRUM / "json" / f"{path.stem}.json").read_text(encoding="utf-8"))
    header, cells, broken = rows(path)
    if isinstance(expected, dict):  # one file's expected cells are a lone object, with another telephone number
        expected = [expected | {"Contact Phone Number": "2095257564"}]
    # Version control has made LF of the CRLF of one of these files, but not of its expected cells.
    expected = [{name: cell.replace("\r\n", "\n") for name, cell in row.items()} for row in expected]
    assert [dict(zip(header, (c.replace("\r\n", "\n") for c in row), strict=True)) for row in cells] == expected
    assert broken == []


PLAIN = ("id", "name", "fee")


@pytest.mark.skipif(not SYNTHETIC.is_dir(), reason="no corpus beside this checkout")
@pytest.mark.parametrize(
    ("name", "dialect", "header", "cells", "broken"),
    [
        ("blank_lines.csv", {}, PLAIN, [("1", "a", "10"), ("2", "b", "20"), ("", "", ""), ("3", "c", "30")], []),
        ("cr_only.csv", {}, PLAIN, [("1", "a", "10"), ("2", "b", "20")], []),
        ("mixed_nl.csv", {}, PLAIN, [("1", "a", "10"), ("2", "b", "20"), ("3", "c", "30"), ("4", "d", "40")], []),
        ("nl_in_quotes.csv", {}, PLAIN, [("1", "a\r\nb", "10"), ("2", "c\n\nd", "20"), ("3", "e", "30")], []),
        ("ragged.csv", {}, PLAIN, [("1", "a", "10"), ("5", "e", "50")], [3, 4, 5]),
        ("unterminated_end.csv", {}, PLAIN, [("1", "a", "10"), ("2", "b", "20")], [4]),
        ("deccomma.csv", {"delimiter": ";"}, PLAIN,
         [("1", "a", "1.234,50"), ("2", "b", "10,00"), ("3", "c", "0,5")], []),
        ("cp1252.csv", {"encoding": "windows-1252"}, PLAIN,
         [("1", "Zoë", "10"), ("2", "Müller – “x” €5", "20"), ("3", "Plain", "30")], []),
        ("latin1.csv", {"encoding": "latin-1"}, PLAIN, [("1", "Zoë", "10"), ("2", "Müller", "20")], []),
        ("dup_hdr.csv", {}, ("id", "name", "name", "ID", ""),
         [("1", "a", "b", "2", "x"), ("2", "c", "d", "3", "y")], []),
        ("hdr_only.csv", {}, PLAIN, [], []),
        ("formula.csv", {}, PLAIN,
         [("1", "=cmd|' /C calc'!A0", "10"), ("2", "@SUM(1)", "20"), ("3", "-2+3", "30")], []),
        ("trailer.csv", {}, ("Report for 2025",), [("printed 1/1",)], [4, 5, 6, 7]),
        ("sep_line.csv", {"delimiter": ";"}, ("id", "name"), [("1", "a"), ("2", "b")], []),
    ],
)  # fmt: skip
def test_synthetic(
    name: str, dialect: dict[str, str], header: tuple[str, ...], cells: list[tuple[str, ...]], broken: list[int]
) -> None:
    assert rows(SYNTHETIC / name, **dialect) == (header, cells, broken)


@pytest.mark.skipif(not SYNTHETIC.is_dir(), reason="no corpus beside this checkout")
@pytest.mark.parametrize(
    ("name", "encoding"),
    [("utf8.csv", "utf-8"), ("utf8bom.csv", "utf-8"), ("utf16le_bom.csv", "utf-16"), ("utf16be_bom.csv", "utf-16"),
     ("utf16le_bom.csv", "utf-8"), ("utf16be_bom.csv", "utf-8"), ("utf16le_nobom.csv", "utf-16-le"),
     ("utf16le_nobom.csv", "utf-8")],
)  # fmt: skip
def test_synthetic_unicode(name: str, encoding: str) -> None:
    header, cells, broken = rows(SYNTHETIC / name, encoding=encoding)
    assert header == PLAIN
    assert cells[0] == ("1", "Zoë", "10")
    assert len(cells) == 3
    assert broken == []


@pytest.mark.skipif(not SYNTHETIC.is_dir(), reason="no corpus beside this checkout")
@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("binary.csv", "is not a text file"),
        ("bom_only.csv", "the file is empty"),
        ("empty.csv", "the file is empty"),
        ("one_nl.csv", "the file is empty"),
        ("nul.csv", "line 2: is not a text file"),
        ("zipped.csv", "is not a text file"),
        ("mixed_enc.csv", "line 3: byte 26 is not UTF-8 text"),
        ("latin1.csv", "line 2: byte 16 is not UTF-8 text"),
        ("zip_bomb_1MB_to_990MB.xlsx", "the workbook unpacks to"),
    ],
)
def test_synthetic_refused(name: str, says: str) -> None:
    with pytest.raises(UserError, match=says.replace("(", r"\(")) as caught:
        read(SYNTHETIC / name, Dialect())
    assert "\n" not in str(caught.value)


@pytest.mark.skipif(not SYNTHETIC.is_dir(), reason="no corpus beside this checkout")
def test_synthetic_large() -> None:
    header, cells, broken = rows(SYNTHETIC / "wide10k.csv")
    assert len(header) == len(cells[0]) == 10_000
    assert broken == []
    table = read(SYNTHETIC / "unterminated_mid.csv", Dialect())
    lines = (SYNTHETIC / "unterminated_mid.csv").read_text().splitlines()
    assert [b.source_row for b in table.broken] == [3]
    assert table.rows.height == len(lines) - 2


@pytest.mark.skipif(not SYNTHETIC.is_dir(), reason="no corpus beside this checkout")
def test_synthetic_workbook() -> None:
    table = read(SYNTHETIC / "formula_merge_dates.xlsx", Dialect())
    assert table.header == ("id", "when", "f", "merged", "txt")
    assert table.rows["c1"].to_list() == ["2025-03-01 00:00:00", "01:02:00", "31/02/2025"]
    assert table.rows["c3"].to_list() == ["a", "", "b"]  # a merged cell's value stands in its first row
    assert table.rows["c4"].to_list() == ["007", "#formula never computed", "1e5"]
