"""The text reader: every physical line is header, blank, in a record or in a broken one; cells come as written."""

from __future__ import annotations

import csv
import io
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.sources.csv import read_csv, read_header
from pipeline.sources.table import Dialect, RawTable

ROOT = Path(__file__).resolve().parents[3]
LINE = re.compile("\r\n|\r|\n")
Read = Callable[..., RawTable]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """read(text or bytes, delimiter=..., encoding=...) -> the table."""

    def of(content: str | bytes, **dialect: str) -> RawTable:
        path = tmp_path / "export.csv"
        encoding = dialect.get("encoding", "utf-8")
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return read_csv(path, Dialect(**dialect))

    return of


def cells(table: RawTable) -> list[tuple[str, ...]]:
    return table.rows.drop("source_row").rows()


def starts(table: RawTable) -> list[int]:
    return table.rows["source_row"].to_list()


def assert_every_line_accounted_for(text: str, table: RawTable, header_lines: int = 1) -> None:
    """Records and broken records cover disjoint runs of lines, in order; what they leave is the header and blanks."""
    lines = LINE.split(text)
    if lines[-1] == "":
        lines.pop()
    covered: list[int] = []
    taken = [(at, 1 + sum(len(LINE.findall(cell)) for cell in row)) for at, *row in table.rows.rows()]
    taken += [(b.source_row, 1 + len(LINE.findall(b.raw))) for b in table.broken]
    for at, many in sorted(taken):
        assert not covered or at > covered[-1]
        covered += range(at, at + many)
    left = [number for number in range(1, len(lines) + 1) if number not in set(covered)]
    blank = [number for number in left if not lines[number - 1].strip()]
    assert len(left) - len(blank) == header_lines
    assert len(blank) == table.blank_lines
    assert not covered or covered[-1] <= len(lines)


@pytest.mark.parametrize(
    ("text", "expected", "rows"),
    [
        ("a,b\n1,x\n2,y\n", [("1", "x"), ("2", "y")], [2, 3]),
        ("a,b\n1,x\n2,y", [("1", "x"), ("2", "y")], [2, 3]),
        ("a,b\r\n1,x\r\n2,y\r\n", [("1", "x"), ("2", "y")], [2, 3]),
        ("a,b\r1,x\r2,y\r", [("1", "x"), ("2", "y")], [2, 3]),
        ("a,b\n1,x\r\n2,y\r3,z\n", [("1", "x"), ("2", "y"), ("3", "z")], [2, 3, 4]),
        ("\n\na,b\n\n1,x\n  \n,\n", [("1", "x"), ("", "")], [5, 7]),
        ('a,b\n1,"x\ny"\n2,z\n', [("1", "x\ny"), ("2", "z")], [2, 4]),
        ('a,b\r\n1,"x\r\ny"\r\n2,"p\nq"\r\n3,z\r\n', [("1", "x\r\ny"), ("2", "p\nq"), ("3", "z")], [2, 4, 6]),
        ('a,b\n1,"say ""no"""\n2,""\n', [("1", 'say "no"'), ("2", "")], [2, 3]),
        ('a,b\n1,"x,y"\n', [("1", "x,y")], [2]),
        ('a,b\n1,5" long\n2,z\n', [("1", '5" long'), ("2", "z")], [2, 3]),
        ('a,b\n1,"x\n\ny"\n', [("1", "x\n\ny")], [2]),
        ("a,b\n 1 , x \n", [(" 1 ", " x ")], [2]),
        ("a,b\n#1,x\n", [("#1", "x")], [2]),
        ("a,b\nNA,null\n", [("NA", "null")], [2]),
        ("a,b\n001,1e5\n", [("001", "1e5")], [2]),
        ("a,b\n1,x\x0by\u2028z\x85\n", [("1", "x\x0by\u2028z\x85")], [2]),
        ('a\n""\nx\n', [("",), ("x",)], [2, 3]),
    ],
)
def test_cells_and_line_numbers(read: Read, text: str, expected: list[tuple[str, ...]], rows: list[int]) -> None:
    table = read(text)
    assert cells(table) == expected
    assert starts(table) == rows
    assert table.broken == ()
    assert_every_line_accounted_for(text, table)


def test_a_tab_separated_row_of_empty_cells_is_a_record(read: Read) -> None:
    table = read("a\tb\n\t\n1\tx\n", delimiter="\t")
    assert cells(table) == [("", ""), ("1", "x")]
    assert table.blank_lines == 0


@pytest.mark.parametrize(
    ("text", "broken", "sound"),
    [
        # One cell too few, two too many: refused with their text, the rest is read.
        (
            "a,b\n1\n2,y\n3,p,q,r\n",
            [(2, "1", "cells_do_not_fit_header"), (4, "3,p,q,r", "cells_do_not_fit_header")],
            [3],
        ),
        ('a,b\n"1\n1",x,"y\nz"\n2,y\n', [(2, '"1\n1",x,"y\nz"', "cells_do_not_fit_header")], [5]),
        # A quote that never closes costs its own line, at the end of the file or in the middle.
        ('a,b\n1,x\n2,"open\n', [(3, '2,"open', "quote_not_closed")], [2]),
        ('a,b\n1,"open\n2,y\n3,z\n', [(2, '1,"open', "quote_not_closed")], [3, 4]),
        ('a,b\n1,"open\n2,"fine, too"\n3,"also"\n', [(2, '1,"open', "quote_not_closed")], [3, 4]),
        ('a,b\n1,"x"y\n2,z\n', [(2, '1,"x"y', "quote_not_closed")], [3]),
        ('a,b\r\n1,"open\r\n2,y\r\n', [(2, '1,"open', "quote_not_closed")], [3]),
    ],
)
def test_broken_records_cost_only_themselves(
    read: Read, text: str, broken: list[tuple[int, str, str]], sound: list[int]
) -> None:
    table = read(text)
    assert [(b.source_row, b.raw, b.rule) for b in table.broken] == broken
    assert starts(table) == sound
    assert_every_line_accounted_for(text, table)


def test_an_unterminated_quote_far_from_any_other_costs_one_line(read: Read) -> None:
    text = 'a,b\n1,"open\n' + "".join(f"{i},x\n" for i in range(2, 1000))
    table = read(text)
    assert len(table.rows) == 998
    assert [b.source_row for b in table.broken] == [2]


def test_a_ragged_row_says_how_many_cells_it_has(read: Read) -> None:
    (short, long) = read("a,b,c\n1,2\n1,2,3,4\n").broken
    assert short.reason == "The row has 2 cells, fewer than the 3 of the header."
    assert long.reason == "The row has 4 cells, more than the 3 of the header."
    assert long.cells == ("1", "2", "3", "4")


def test_a_quote_does_not_reach_into_a_line_beyond_a_million_characters(read: Read) -> None:
    table = read('a,b\n1,"open\nstill"' + "x" * (1 << 20) + '",2\n3,"z"\n')
    assert [(b.source_row, b.rule) for b in table.broken] == [(2, "quote_not_closed"), (3, "line_too_long")]
    assert cells(table) == [("3", "z")]


def test_a_header_beyond_a_million_characters_is_refused(read: Read) -> None:
    with pytest.raises(UserError, match="line 2: the header is longer than a million characters"):
        read("\n" + "x" * (1 << 20) + ",b\n1,2\n")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="only Linux says what memory was taken")
@pytest.mark.parametrize("line", ["1," + "x" * (100 << 20), "1," * (50 << 20), '1,"' + 'x""' * (33 << 20)], ids=len)
def test_a_line_of_a_hundred_megabytes_is_one_broken_record(tmp_path: Path, line: str) -> None:
    """Measured in a process of its own: one broken record, and no more than three times the file in memory."""
    path = tmp_path / "export.csv"
    path.write_text(f"a,b\n1,2\n{line}\n3,4\n")
    script = (
        "import sys; from pathlib import Path; from pipeline.sources.csv import read_csv; "
        "from pipeline.sources.table import Dialect; table = read_csv(Path(sys.argv[1]), Dialect()); "
        "print(table.rows.rows(), [(b.source_row, b.rule, len(b.raw)) for b in table.broken]); "
        "print(*(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')))"
    )
    done = subprocess.run([sys.executable, "-c", script, path], capture_output=True, text=True, check=True, cwd=ROOT)
    told, peak = done.stdout.splitlines()
    assert told == "[(2, '1', '2'), (4, '3', '4')] [(3, 'line_too_long', 1000)]"
    assert int(peak) * 1024 < 3 * path.stat().st_size + (100 << 20)


def test_a_line_beyond_a_million_characters_is_refused_and_the_rest_is_read(read: Read) -> None:
    table = read("a,b\n1," + "x" * (1 << 20) + "\n2,y\n")
    assert [(b.source_row, b.rule) for b in table.broken] == [(2, "line_too_long")]
    assert cells(table) == [("2", "y")]


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        ("\ufeffnäme,b\n1,ß\n".encode(), "utf-8"),
        ("näme,b\n1,ß\n".encode("cp1252"), "windows-1252"),
        ("näme,b\n1,ß\n".encode("latin-1"), "latin-1"),
        ("näme,b\n1,ß\n".encode("utf-16"), "utf-16"),  # with a byte order mark
        ("\ufeffnäme,b\n1,ß\n".encode("utf-16-le"), "utf-16-le"),
        ("\ufeffnäme,b\n1,ß\n".encode("utf-16-be"), "utf-16-be"),
        ("näme,b\n1,ß\n".encode("utf-16-be"), "utf-16-be"),
    ],
)
def test_encodings_and_byte_order_marks(read: Read, content: bytes, encoding: str) -> None:
    table = read(content, encoding=encoding)
    assert table.header == ("näme", "b")
    assert cells(table) == [("1", "ß")]


@pytest.mark.parametrize(
    ("content", "dialect", "says"),
    [
        (b"", {}, "the file is empty"),
        (b"\n", {}, "the file is empty"),
        (b" \r\n\t\n", {}, "the file is empty"),
        (b"\xef\xbb\xbf", {}, "the file is empty"),
        (b"a,b\n1,x\0y\n", {}, "line 2: is not a text file"),
        (b"PK\x03\x04\0\0", {}, "is not a text file"),
        ("a,b\n1,x\0\n".encode("utf-16-le"), {}, "is not a text file"),
        ("a,b\n1,x\n".encode("utf-16-le") + b"2", {}, "line 3: byte 16 is not utf-16-le text"),
        (b"a,b\n1," + b"x" * 9000 + b"\0\n", {}, "is not a text file"),
        (b"\xef\xbb\xbfa,b\n1,x\n2,\xfc\n", {}, "line 3: byte 13 is not UTF-8 text"),
        (b"a,b\n1,x\n2,\xfc\n", {}, "line 3: byte 10 is not UTF-8 text"),
        (b"a,b\r1,x\r2,\xfc\r", {}, "line 3: byte 10 is not UTF-8 text"),
        (b"a,b\n1,x\n", {"encoding": "utf-9"}, "no such encoding: utf-9"),
        (b"a,b\n1,x\n", {"encoding": "base64"}, "no such encoding: base64"),
        (b'a,"b\n1,x\n', {}, "line 1: the header has a quote that is never closed"),
    ],
)
def test_what_concerns_the_whole_file_is_one_error(
    read: Read, content: bytes, dialect: dict[str, str], says: str
) -> None:
    with pytest.raises(UserError) as caught:
        read(content, **dialect)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_header_alone_is_a_table_without_rows(read: Read) -> None:
    for text in ("a,b\n", "a,b", "\na,b\r\n\r\n"):
        table = read(text)
        assert (table.header, len(table.rows), table.broken) == (("a", "b"), 0, ())
        assert table.rows.columns == ["source_row", "c0", "c1"]


def test_header_cells_are_trimmed_and_may_hold_newlines(read: Read) -> None:
    table = read('" a ","b\nb",c \n1,2,3\n')
    assert table.header == ("a", "b\nb", "c")
    assert starts(table) == [3]


def test_one_column(read: Read) -> None:
    assert cells(read("a\nx y\n\n z\n")) == [("x y",), (" z",)]


def test_a_thousand_columns(read: Read) -> None:
    header = ",".join(f"h{i}" for i in range(1000))
    table = read(f"{header}\n" + ",".join(map(str, range(1000))) + "\n")
    assert cells(table) == [tuple(map(str, range(1000)))]


def test_the_header_read_alone_is_the_header_of_the_table(tmp_path: Path) -> None:
    for text in ("a,b\n1,2\n", '\r\n\r\n"a","x\r\ny",c\r\n1,2,3\r\n', "a,b", "a\rb\r"):
        path = tmp_path / "export.csv"
        path.write_bytes(text.encode())
        assert read_header(path, Dialect()) == read_csv(path, Dialect()).header


DELIMITERS = st.sampled_from([",", ";", "\t", "|"])
ANY_TEXT = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=12)
TRICKY = st.text(st.sampled_from(list("a1 \",;\t|\r\n#'=é\u2028\x0b\x1c\x85\ufeff")), max_size=8)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_what_a_writer_wrote_comes_back_the_same(tmp_path: Path, data: st.DataObject) -> None:
    width = data.draw(st.integers(1, 5), label="width")
    row = st.lists(st.one_of(ANY_TEXT, TRICKY), min_size=width, max_size=width)
    rows = data.draw(st.lists(row, max_size=8), label="rows")
    delimiter = data.draw(DELIMITERS, label="delimiter")
    line_end = data.draw(st.sampled_from(["\n", "\r\n", "\r"]), label="line end")
    quoting = data.draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC]), label="quoting")
    # Without quotes a line end cannot be told from a cell's own, nor a blank cell of one column from a blank line;
    # that a writer quotes them is its affair (Python's minimal quoting looks for its own line end only).
    if any(LINE.search(cell) for cells in rows for cell in cells) or width == 1:
        quoting = csv.QUOTE_ALL
    header = [f"h{i}" for i in range(width)]
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, quoting=quoting, lineterminator=line_end)
    writer.writerows([header, *rows])
    path = tmp_path / "export.csv"
    path.write_bytes(out.getvalue().encode())

    table = read_csv(path, Dialect(delimiter=delimiter))
    assert table.broken == ()
    assert cells(table) == [tuple(row) for row in rows]
    assert table.header == tuple(header)
    assert_every_line_accounted_for(out.getvalue(), table)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(st.sampled_from(list('ab, """\r\n')), max_size=60), st.integers(1, 3))
def test_no_line_of_any_mess_is_lost_or_told_otherwise_than_by_pythons_parser(
    tmp_path: Path, body: str, width: int
) -> None:
    text = ",".join("h" * width) + "\n" + body
    path = tmp_path / "export.csv"
    path.write_bytes(text.encode())
    table = read_csv(path, Dialect())
    assert_every_line_accounted_for(text, table)
    assert all(len(broken.cells) != width for broken in table.broken)
    lines = LINE.split(text)
    for at, *row in table.rows.rows():
        if not any(LINE.search(cell) for cell in row):
            assert row == next(csv.reader([lines[at - 1]], strict=True))


def test_a_first_cell_that_begins_like_a_byte_order_mark_keeps_it(read: Read) -> None:
    """Polars takes U+FEFF at the start of what it reads for a mark of the encoding (found by Hypothesis)."""
    assert cells(read("a,b\n\ufeff,1\n\ufeffx,2\n".encode())) == [("\ufeff", "1"), ("\ufeffx", "2")]


def test_quoted_rows_of_more_cells_than_the_pattern_takes(read: Read) -> None:
    width = 1200
    text = ",".join(f"h{i}" for i in range(width)) + "\n" + ",".join(f'"{i},"' for i in range(width)) + "\n"
    assert cells(read(text)) == [tuple(f"{i}," for i in range(width))]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.text(st.sampled_from(list("a',\" ;")), max_size=5), min_size=2, max_size=2), st.sampled_from("'\""))
def test_cells_in_either_quotation_mark_come_back_the_same(tmp_path: Path, row: list[str], quote: str) -> None:
    path = tmp_path / "export.csv"
    out = io.StringIO()
    csv.writer(out, quotechar=quote, quoting=csv.QUOTE_ALL).writerows([["a", "b"], row])
    path.write_text(out.getvalue(), newline="")
    assert cells(read_csv(path, Dialect(quote=quote))) == [tuple(row)]
