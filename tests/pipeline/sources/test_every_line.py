"""Nothing is lost: header + blank + aside + lines of records + lines of broken records = physical lines.

The readers add that up themselves and stop if it does not hold; here it is counted again, from what they return alone.
"""

from __future__ import annotations

import gzip
import io
import json
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.sources.head import is_blank
from pipeline.sources.read import expand, read
from pipeline.sources.table import Dialect, RawTable
from pipeline.sources.text import decode
from tests.pipeline.sources.asked import header

CORPORA = Path(__file__).resolve().parents[4] / "shared" / "corpora"
LINE = re.compile("\r\n|\r|\n")


def assert_every_line_accounted_for(path: Path, table: RawTable) -> None:
    assert table.lines is not None and table.found is not None
    assert table.found.encoding is not None and table.found.delimiter is not None
    lines = LINE.split(decode(path, table.found.encoding)[0])
    if lines[-1] == "" and len(lines) > 1:
        lines.pop()
    taken: dict[str, list[range]] = {"header": [], "aside": [], "records": [], "broken": []}
    if table.found.header_row:
        taken["header"].append(range(table.found.header_row, table.found.header_row + table.lines.header))
    taken["aside"] += [range(a.source_row, a.source_row + 1) for a in table.aside]
    for at, *cells in table.rows.rows():
        taken["records"].append(range(at, at + 1 + sum(len(LINE.findall(cell)) for cell in cells)))
    taken["broken"] += [range(b.source_row, b.source_row + 1 + len(LINE.findall(b.raw))) for b in table.broken]

    owned = [line for runs in taken.values() for run in runs for line in run]
    assert len(owned) == len(set(owned)), "a line has two owners"
    left = set(range(1, len(lines) + 1)) - set(owned)
    assert len(left) + len(owned) == len(lines), "a line beyond the file"
    assert all(is_blank(lines[line - 1]) for line in left), "a line is lost"
    assert table.blank_lines == table.lines.blank == len(left)
    assert table.lines.physical == len(lines)
    for what, runs in taken.items():
        assert getattr(table.lines, what) == sum(map(len, runs)), what
    for aside in table.aside:
        assert aside.text == lines[aside.source_row - 1][:1000]
    for broken in table.broken:
        assert broken.raw.startswith(lines[broken.source_row - 1][:1000])


@pytest.mark.skipif(not CORPORA.is_dir(), reason="no corpora beside this checkout")
@pytest.mark.parametrize("path", sorted(CORPORA.rglob("*.csv")), ids=lambda p: p.stem)
def test_the_corpora(path: Path) -> None:
    answered = 0
    for encoding in (None, "windows-1252"):
        for delimiter in (",", ";"):
            for header_row in (None, 0, 2):
                dialect = Dialect(encoding, delimiter, header_row=header_row, trailer=("^Total",))
                try:
                    table = read(path, dialect)
                except UserError as e:
                    assert "\n" not in str(e)
                    continue
                assert header(path, dialect) == table.header
                assert_every_line_accounted_for(path, table)
                answered += 1
    assert answered or path.stem in ("binary", "bom_only", "empty", "one_nl", "zipped", "nul")


SHEET = [
    ["Export of March", "", ""],
    ["id", "name", "fee"],
    ["1", 'a "b"', "10"],
    ["2", "x, y; z", "20,5"],
    ["3", "line\nend", ""],
    ["", "", ""],
    ["4", "ßé–€", "30"],
    ["id", "name", "fee"],
    ["5", '""', "1"],
    ["Total", "", "61"],
]


def written(delimiter: str, line_end: str, quote_all: bool) -> str:
    out = []
    for row in SHEET:
        cells = [
            f'"{cell.replace(chr(34), chr(34) * 2)}"' if quote_all or re.search(r'[",;\n\t|]', cell) else cell
            for cell in row
        ]
        out.append(delimiter.join(cells) if any(row) else "")
    return line_end.join(out) + line_end


# What is done to the bytes: at which place (a share of the whole), how many go, and what comes in their stead.
DAMAGE = st.lists(
    st.tuples(
        st.floats(0, 1),
        st.integers(0, 6),
        st.one_of(
            st.binary(max_size=3),
            st.sampled_from(
                [b'"', b'""', b"\n", b"\r", b"\r\n", b",", b";", b"\t", b"\0", b"\xff\xfe", b"  \n", b"id,"]
            ),
        ),
    ),
    max_size=6,
)


def damaged(data: bytes, damage: list[tuple[float, int, bytes]]) -> bytes:
    for share, gone, new in damage:
        at = int(share * len(data))
        data = data[:at] + new + data[at + gone :]
    return data


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_no_line_of_a_damaged_file_is_lost(tmp_path: Path, data: st.DataObject) -> None:
    delimiter = data.draw(st.sampled_from([",", ";", "\t", "|"]), label="delimiter")
    line_end = data.draw(st.sampled_from(["\n", "\r\n", "\r"]), label="line end")
    encoding = data.draw(
        st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "windows-1252", "mac-roman"]), label="encoding"
    )
    text = written(delimiter, line_end, data.draw(st.booleans(), label="all quoted"))
    path = tmp_path / "export.csv"
    path.write_bytes(damaged(text.encode(encoding), data.draw(DAMAGE, label="damage")))
    dialect = Dialect(
        data.draw(st.sampled_from([None, encoding]), label="declared"),
        data.draw(st.sampled_from([None, delimiter]), label="declared delimiter"),
        data.draw(st.sampled_from(['"', "", "'"]), label="quote"),
        data.draw(st.sampled_from([None, 0, 2, 3]), label="header row"),
        data.draw(st.integers(1, 3), label="header rows"),
        data.draw(st.sampled_from([(), ("^.?Total",)]), label="trailer"),
    )
    known = lambda cells: "name" in cells  # noqa: E731
    try:
        table = read(path, dialect, knows=known)
    except UserError as e:
        assert "\n" not in str(e)
        return
    assert header(path, dialect, knows=known) == table.header
    assert_every_line_accounted_for(path, table)
    assert all(len(b.cells) != len(table.header) for b in table.broken)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(st.sampled_from(list("ab,;\"'\r\n\t |\x0b\x0c\u2028\x85\x1c\ufeffé")), max_size=80), st.integers(1, 2))
def test_no_line_of_any_text_is_lost(tmp_path: Path, text: str, header_rows: int) -> None:
    path = tmp_path / "export.csv"
    path.write_bytes(text.encode())
    for dialect in (Dialect(header_rows=header_rows), Dialect(header_row=0, trailer=("b;",)), Dialect(delimiter="\t")):
        try:
            table = read(path, dialect)
        except UserError:
            continue
        assert_every_line_accounted_for(path, table)


def workbook() -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        sheet = book.add_worksheet("Records")
        for i, row in enumerate(SHEET):
            for j, cell in enumerate(row):
                sheet.write_string(i, j, cell) if cell else None
        sheet.write_formula(4, 2, "=1/0", None, "#DIV/0!")
    return out.getvalue()


def repacked(packed: bytes, damage: Callable[[str, bytes], bytes]) -> bytes:
    """An archive in which the contents are damaged, and whose checksums are right all the same."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(packed)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, damage(name, old.read(name)))
    return out.getvalue()


@settings(deadline=None, max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(["sheet1.xml", "sharedStrings.xml", "workbook.xml", "styles.xml", "rels", ""]), DAMAGE)
def test_a_damaged_workbook_is_read_or_refused(
    tmp_path: Path, part: str, damage: list[tuple[float, int, bytes]]
) -> None:
    path = tmp_path / "export.xlsx"
    if part:
        data = repacked(workbook(), lambda name, xml: damaged(xml, damage) if name.endswith(part) else xml)
    else:
        data = damaged(workbook(), damage)
    path.write_bytes(data)
    try:
        table = read(path, Dialect(trailer=("^Total",)), knows=lambda cells: "name" in cells)
    except UserError as e:
        assert "\n" not in str(e)
        return
    assert table.lines is not None
    assert table.lines.records == table.rows.height
    assert table.lines.aside == len(table.aside)


def _parquet() -> bytes:
    out = io.BytesIO()
    pl.DataFrame({"id": [1, 2, None], "name": ["a", None, "ß"], "fee": [0.5, 1.0, 2.0]}).write_parquet(out)
    return out.getvalue()


def _zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("a.csv", written(",", "\n", False))
        packed.writestr("deep/b.csv", written(";", "\n", True))
    return out.getvalue()


OTHERS = {
    "a.parquet": _parquet(),
    "a.json": json.dumps([{"id": 1, "name": "a"}, {"id": 2, "fee": [1, {"x": None}]}]).encode(),
    "a.ndjson": b'{"id": 1, "name": "a"}\n\n{"id": 2.50, "na\\u0021me": null}\n[]\n{"a": {"b": "\\ud83d\\ude00"}}\n',
    "a.csv.gz": gzip.compress(written(",", "\n", False).encode()),
    "a.zip": _zip(),
}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@example("a.zip", [(0.75, 0, b"\0"), (0.875, 4, b"\0\0\0")])  # a file in it without a name
@given(st.sampled_from(sorted(OTHERS)), DAMAGE)
def test_every_other_damaged_file_is_read_or_refused(
    tmp_path: Path, name: str, damage: list[tuple[float, int, bytes]]
) -> None:
    path = tmp_path / name
    path.write_bytes(damaged(OTHERS[name], damage))
    try:
        tables = [read(file, Dialect()) for file in expand([path])]
    except UserError as e:
        assert "\n" not in str(e)
        return
    for table in tables:
        assert table.lines is not None
        if name == "a.ndjson":
            lines = LINE.split(decode(path, None)[0])
            lines = lines[:-1] if lines[-1] == "" and len(lines) > 1 else lines
            if not lines[0].lstrip().startswith("["):
                assert table.lines.physical == len(lines)
            assert table.lines.records + table.lines.broken == table.rows.height + len(table.broken)
