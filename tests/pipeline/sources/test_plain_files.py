"""What is read in blocks, since every line of it is a record, is what the long way reads: cells, row numbers, faults.

The long way is checked by itself in test_csv_reader.py and test_every_line.py.
"""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.sources import plain, pool
from pipeline.sources.csv import read_csv, read_header, survey
from pipeline.sources.pool import Pool
from pipeline.sources.source import open_source
from pipeline.sources.table import Dialect, File, RawTable

NAMES = ("use_id", "treatment_id", "größe")


@dataclass(frozen=True)
class Bytes:
    """A file that gives its bytes in small pieces."""

    data: bytes
    size: int
    name: str = "export.csv"
    suffix: str = ".csv"

    def read_bytes(self) -> bytes:
        return self.data

    def chunks(self) -> Iterator[bytes]:
        for at in range(0, len(self.data), self.size):
            yield self.data[at : at + self.size]

    def __str__(self) -> str:
        return self.name


def knows(header: tuple[str, ...]) -> bool:
    return header == NAMES


def told(file: File, dialect: Dialect, surveyed: tuple[None] | None) -> Any:
    """All that is said of a file, for comparing."""
    try:
        found = read_csv(file, dialect, knows, surveyed)
    except (UserError, ValueError) as e:
        return type(e), str(e)
    rest = {name: value for name, value in vars(found).items() if name != "rows"}
    return rest, found.rows.schema, found.rows.rows()


def same(data: bytes, dialect: Dialect, size: int) -> None:
    """Both ways say the same of a file; so does what is asked of its header alone."""
    file = Bytes(data, size)
    long = told(file, dialect, (None,))
    assert told(file, dialect, None) == long
    found = survey(file, dialect, knows)
    if found:
        assert found.header == read_header(file, dialect, knows)
        assert found.pieces(file).about.lines == long[0]["lines"]


CELLS = st.one_of(
    st.sampled_from(
        (
            *(
                "",
                "1",
                "1_000",
                "nan",
                "NaN",
                "inf",
                "-Infinity",
                "1e400",
                "0x10",
                "١٢",
                "+5",
                "1,5",
                "1.5",
                ".06",
                "4 %",
            ),
            *("2024-03-04", "2024-03-04T09:20:00+02:00", "2024-03-04 09:20:00Z", "0026-03-04", "NULL", "null", "true"),
            *(
                "\u00a01",
                "1\u2003",
                "\u200b",
                " x ",
                "a\u2028b",
                "a\x0bb",
                "a\x0cb",
                "a\x85b",
                "a\x1cb",
                "\ufeff1",
                "\x1a",
            ),
            *("Zähne", "😀", "'", "#1", "=1+1", "\\", "\\n", "//", "a/b", "use_id"),
        )
    ),
    st.text(st.characters(codec="utf-8", exclude_characters='\r\n",;\t|'), max_size=4),
)
ODD = st.sampled_from(
    (
        *(
            "",
            "",
            " ",
            "\u00a0",
            "x",
            ",",
            ",,",
            ",,,",
            ",,,,",
            "a,b",
            "a,b,c,d",
            "a,b,c,",
            '"a",b,c',
            'a,"b,c",d',
            'a,b"c,d',
        ),
        *('"a\nb",b,c', '"a', "a,b\rc,d", "\r", "a,b,c\r", "\0,b,c", ",".join(NAMES), "Total;;", "sep=,", "x" * 40),
    )
)
LINES = st.lists(st.one_of(*[st.tuples(CELLS, CELLS, CELLS).map(",".join)] * 6, ODD), min_size=0, max_size=8)
PLAIN_LINES = st.lists(st.tuples(CELLS, CELLS, CELLS).map(",".join), min_size=1, max_size=12)
ENDS = st.sampled_from(("\n", "\n", "\r\n", "\r\n", "\r"))


@st.composite
def texts(draw: st.DrawFn) -> str:
    """Files that mostly are plain, and what else may stand in one."""
    end = draw(ENDS)
    before = draw(st.sampled_from(([], [], [], [""], ["sep=,"], ["Practice, uses", ""], ["\ufeff"])))
    body = draw(st.one_of(PLAIN_LINES, LINES))
    lines = [*before, ",".join(NAMES), *body]
    text = end.join(lines) + draw(st.sampled_from((end, end, "", end + end, end + " " + end, "\x1a", "\r")))
    return draw(st.sampled_from(("", "", "", "\ufeff"))) + text


@given(text=texts(), size=st.sampled_from((7, 64, 1 << 20)), header_row=st.sampled_from((None, None, 0, 1, 2, 9)))
def test_any_text_is_read_as_the_long_way_reads_it(text: str, size: int, header_row: int | None) -> None:
    same(text.encode(), Dialect(header_row=header_row), size)


@given(
    text=texts(),
    size=st.sampled_from((64, 1 << 20)),
    dialect=st.sampled_from(
        (
            Dialect(delimiter=None),
            Dialect(quote=""),
            Dialect(quote="'"),
            Dialect(delimiter=";"),
            Dialect(header_rows=2),
            Dialect(trailer=("^Total",)),
            Dialect("utf-8-sig"),
            Dialect("ascii"),
            Dialect("no such thing"),
        )
    ),
)
def test_any_text_is_read_alike_by_any_dialect(text: str, size: int, dialect: Dialect) -> None:
    same(text.encode(), dialect, size)


@given(
    text=texts(),
    encoding=st.sampled_from(
        ("windows-1252", "windows-1250", "iso-8859-15", "mac-roman", "utf-16", "utf-16-le", "utf-32")
    ),
    declared=st.booleans(),
    mark=st.booleans(),
)
def test_any_text_is_read_alike_in_any_encoding(text: str, encoding: str, declared: bool, mark: bool) -> None:
    data = (codecs.BOM_UTF8 if mark else b"") + text.encode(encoding, "replace")
    same(data, Dialect(encoding if declared else None), 64)


def quoted(cell: str, how: int) -> str:
    return '"' + cell.replace('"', '""') + '"' if how else cell


QUOTED_CELLS = st.one_of(CELLS, st.text('",; ax\r\t\u00e9', max_size=4))
HOW = st.sampled_from(((1, 1, 1), (1, 1, 1), (1, 1, 1), (0, 1, 0), (0, 0, 0), (1, 0, 1)))
QUOTED_LINES = st.tuples(QUOTED_CELLS, QUOTED_CELLS, QUOTED_CELLS, HOW).map(
    lambda drawn: ",".join(quoted(cell, how) for cell, how in zip(drawn[:3], drawn[3], strict=True))
)


@given(
    lines=st.lists(st.one_of(*[QUOTED_LINES] * 12, ODD), min_size=1, max_size=8),
    header=st.sampled_from((",".join(NAMES), ",".join(f'"{name}"' for name in NAMES))),
    end=ENDS,
    last=st.booleans(),
    size=st.sampled_from((7, 64, 1 << 20)),
    turned=st.booleans(),
    encoding=st.sampled_from(("utf-8", "utf-8", "windows-1252")),
)
def test_quoted_text_is_read_alike(
    lines: list[str], header: str, end: str, last: bool, size: int, turned: bool, encoding: str
) -> None:
    text = end.join([header, *lines]) + (end if last else "")
    if turned:
        text = text.replace("'", "x").replace('"', "'")
    declared = None if encoding == "utf-8" else encoding
    same(text.encode(encoding, "replace"), Dialect(declared, quote="'" if turned else '"'), size)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize(
    ("cells", "last"),
    [
        (lambda i: f'"U{i}","T{i}",""', ("U99", "T99", "")),
        (lambda i: f'U{i},"x, ""{i}""",', ("U99", 'x, "99"', "")),
        (lambda i: f'"{i}, ü",{i},""', ("99, ü", "99", "")),
    ],
)
def test_quoted_cells_without_line_ends_take_the_short_way(
    end: str, cells: Callable[[int], str], last: tuple[str, ...]
) -> None:
    file = Bytes(end.join([",".join(NAMES), *map(cells, range(100)), ""]).encode(), 100)
    found = survey(file, Dialect(), knows)
    assert found is not None
    assert found.pieces(file).whole().rows.row(-1) == (101, *last)
    for odd in ('"a"b,c,d', '"a,b,c', '"a\nb",c,d', 'a"b,c,d', '"a","b"', '"a","b","c","d"', '""a"",""b"",""c""'):
        assert survey(Bytes(file.data + odd.encode() + end.encode(), 100), Dialect(), knows) is None, odd


@given(data=st.binary(max_size=60), size=st.sampled_from((5, 64)))
def test_any_bytes_are_read_alike(data: bytes, size: int) -> None:
    same(b"use_id,treatment_id,gr\xc3\xb6\xc3\x9fe\n1,2,3\n" + data, Dialect(), size)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "windows-1252"])
@pytest.mark.parametrize("begin", ["", "sep=,", "Practice of the town"])
def test_what_is_plain_takes_the_short_way(end: str, encoding: str, begin: str) -> None:
    lines = [*([begin] if begin else []), ",".join(NAMES), *(f"U{i},T{i},{i}" for i in range(100)), "U,T,ü"]
    for last in (end, ""):
        file = Bytes((end.join(lines) + last).encode(encoding), 100)
        found = survey(file, Dialect("windows-1252" if encoding == "windows-1252" else None), knows)
        assert found is not None
        pieces = list(found.pieces(file))
        assert len(pieces) > 10
        rows = pl.concat(piece.rows for piece in pieces)
        assert rows["source_row"].to_list() == list(range(len(lines) - 100, len(lines) + 1))
        assert rows.row(-1)[1:] == ("U", "T", "ü")


@given(lines=PLAIN_LINES, many=st.integers(1, 40))
def test_rows_that_are_asked_for_are_those_of_the_whole(lines: list[str], many: int) -> None:
    data = "\n".join([",".join(NAMES), *lines * many, ""]).encode()
    file = Bytes(data, 100)
    found = survey(file, Dialect(), knows)
    if found is None:  # a line of it may repeat the header
        return
    whole = read_csv(file, Dialect(), knows, (None,))
    pieces = found.pieces(file)
    assert pieces.whole().rows.equals(whole.rows)
    some = whole.rows["source_row"].gather_every(3)
    assert pieces.only(some).rows.equals(whole.rows.filter(pl.col("source_row").is_in(some.implode())))
    assert pieces.only(some.clear()).rows.equals(whole.rows.clear())


def test_a_large_file_is_read_in_pieces_and_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "SMALL", 100)
    monkeypatch.setattr(pool, "CHUNK", 50)
    monkeypatch.setattr(plain, "CHUNK", 50)
    lines = [f"{i},{i}" for i in range(90)]
    for name, content in {"large": lines, "small": lines[:3], "quoted": [*lines, '"1\n1",2']}.items():
        path = tmp_path / f"{name}.csv"
        path.write_text("\n".join(["a,b", *content]) + "\n")
        with Pool() as files:
            table = open_source(path, files).table(Dialect())
            assert table.header == ("a", "b")
            found = table.pieces()
            assert isinstance(found, RawTable) is (name != "large"), name
            assert (found if isinstance(found, RawTable) else found.whole()).rows.equals(table.read().rows)
            assert table.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
            if name == "large":
                path.write_text("\n".join(["a,b", *content[:-1], "x,y"]) + "\n")
                with pytest.raises(UserError, match="was changed while it was being read"):
                    table.pieces().whole()  # type: ignore[union-attr]
