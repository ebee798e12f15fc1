"""An export decides its own encoding or is refused with those that would read it; nothing is guessed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.sources.read import read
from pipeline.sources.table import Dialect, RawTable
from tests.pipeline.sources.asked import header

Read = Callable[..., RawTable]


@pytest.fixture
def file(tmp_path: Path) -> Callable[[bytes], Path]:
    def of(data: bytes) -> Path:
        path = tmp_path / "export.csv"
        path.write_bytes(data)
        return path

    return of


def refusal(path: Path, dialect: Dialect, knows: Callable[[tuple[str, ...]], bool] | None = None) -> str:
    with pytest.raises(UserError) as caught:
        read(path, dialect, knows=knows)
    with pytest.raises(UserError) as of_header:
        header(path, dialect, knows=knows)
    assert str(of_header.value) == str(caught.value)
    assert "\n" not in str(caught.value)
    return str(caught.value).removeprefix(str(path))


@pytest.mark.parametrize("declared", [None, "utf-8", "windows-1252"])
@pytest.mark.parametrize("mark", ["utf-8-sig", "utf-16", "utf-32"])
def test_a_mark_wins_over_what_is_declared(file: Callable[[bytes], Path], mark: str, declared: str | None) -> None:
    path = file("Größe,n\n1,ß\n".encode(mark))
    table = read(path, Dialect(encoding=declared))
    assert (table.header, table.rows.rows()) == (("Größe", "n"), [(2, "1", "ß")])
    assert header(path, Dialect(encoding=declared)) == table.header


@pytest.mark.parametrize("codec", ["utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("text", ["a,b\n1,ß\n", "a,b\r1,€\r", "größe,długość\n1,x\n", "a,b"])
def test_utf_16_without_a_mark_is_told_by_its_zeros(file: Callable[[bytes], Path], codec: str, text: str) -> None:
    table = read(file(text.encode(codec)), Dialect())
    assert table.header == tuple(text.splitlines()[0].split(","))
    assert [row[1:] for row in table.rows.rows()] == [tuple(line.split(",")) for line in text.splitlines()[1:]]
    assert table.found is not None and table.found.encoding == codec


def test_a_zero_byte_in_text_is_no_utf_16(file: Callable[[bytes], Path]) -> None:
    assert ", line 1: is not a text file" in refusal(file(b"a\0,b\n1,x\n"), Dialect())
    assert ", line 3: is not a text file" in refusal(file(b"a,b\r\n1,x\r2,\0y\n"), Dialect())
    assert ", line 2: is not a text file" in refusal(file("a,b\n1,\0\n".encode("utf-16")), Dialect())


@pytest.mark.parametrize("encoding", ["windows-1250", "windows-1252", "iso-8859-1", "iso-8859-15", "mac-roman"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_the_usual_encodings_are_read_when_declared(
    file: Callable[[bytes], Path], encoding: str, line_end: str
) -> None:
    text = line_end.join(["Zähne;Länge", "36;üß", '"4""6";"a;ö"', ""])
    table = read(file(text.encode(encoding)), Dialect(encoding=encoding, delimiter=";"))
    assert table.header == ("Zähne", "Länge")
    assert table.rows.rows() == [(2, "36", "üß"), (3, '4"6', "a;ö")]


def test_a_refusal_says_how_the_headers_words_would_read(file: Callable[[bytes], Path]) -> None:
    # "ö" is F6 in the Windows and ISO sets, 9A in Mac OS Roman (Unicode's mapping tables).
    said = refusal(file("Zahn;Größe;Länge\n36;1;2\n".encode("windows-1252")), Dialect(delimiter=";"))
    assert said.startswith(", line 1: byte 7 is not UTF-8 text. It can be read as windows-1252, windows-1250, ")
    assert "iso-8859-15 (header: Größe, Länge); mac-roman (header: Grˆﬂe, L‰nge)" in said
    # 9A is no character of ISO 8859: those cannot be meant.
    said = refusal(file("Zahn;Größe;Länge\r36;1;2\r".encode("mac-roman")), Dialect(delimiter=";"))
    assert "windows-1252, windows-1250 (header: Grš§e, LŠnge); mac-roman (header: Größe, Länge)" in said
    assert "iso-8859" not in said
    assert 'encoding = "windows-1252"' in said


def test_only_what_surely_is_a_header_is_shown(file: Callable[[bytes], Path]) -> None:
    for text in (
        "id;name;tooth\n1;Müller;36\n",  # data below a header
        "4711;Müller;36\n",  # no header
        "Müller\nid;name;tooth\n",  # something above it
    ):
        assert "ller" not in refusal(file(text.encode("windows-1252")), Dialect(delimiter=";"))
    preamble = file("Müller;Hans;Graz\nPatientennr;Zähne\n1;36\n".encode("windows-1252"))
    said = refusal(preamble, Dialect(delimiter=None), lambda cells: "Patientennr" in cells)
    assert "(header: Zähne)" in said and "ller" not in said
    said = refusal(preamble, Dialect(delimiter=";", header_row=2))
    assert "(header: Zähne)" in said and "ller" not in said
    assert "header:" not in refusal(preamble, Dialect(delimiter=";", header_row=0))


def test_long_words_are_cut(file: Callable[[bytes], Path]) -> None:
    words = ";".join(f"{'x' * 50}ä{n * 'y'}" for n in range(1, 9))
    said = refusal(file(f"{words}\n".encode("latin-1")), Dialect(delimiter=";"))
    assert f"header: {', '.join(['x' * 20] * 3)})" in said


def test_two_encodings_in_one_file_and_a_mark_that_does_not_hold(file: Callable[[bytes], Path]) -> None:
    said = refusal(file("a,b\n1,é\n2,".encode() + b"\xe9\n"), Dialect())
    assert ", line 3: byte 11 is not UTF-8 text, while text before it is" in said
    said = refusal(file(b"\xef\xbb\xbfa,b\n1,\xe9\n"), Dialect())
    assert "byte 9 is not UTF-8 text, though the file begins with a mark of UTF-8" in said
    assert "windows" not in said


def test_a_declared_encoding_that_does_not_fit(file: Callable[[bytes], Path]) -> None:
    # 81 is no character of windows-1252 (Unicode's mapping table), but one of Mac OS Roman.
    said = refusal(file(b"a,b\n1,\x81\n"), Dialect(encoding="windows-1252"))
    assert said.startswith(", line 2: byte 6 is not windows-1252 text. It can be read as mac-roman.")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"PK\x03\x04\x14\0\0", "but a workbook or ZIP archive"),
        (b"\x1f\x8b\x08\0abc", "but a gzip archive"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1\0", "but an old .xls workbook"),
        (b"PAR1\x15\0", "but a Parquet file"),
        (b"%PDF-1.7\n\0", "but a PDF document"),
    ],
)
def test_what_is_something_else_by_its_first_bytes(file: Callable[[bytes], Path], content: bytes, says: str) -> None:
    assert f": is not a text file {says}" in refusal(file(content), Dialect())


def test_a_text_that_only_begins_like_something_else_is_text(file: Callable[[bytes], Path]) -> None:
    assert read(file(b"PAR1,b\n1,2\n"), Dialect()).header == ("PAR1", "b")
