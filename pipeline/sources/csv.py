"""Reading delimited text without losing a line.

A file is split into physical lines first and each line is accounted for: header, blank, part of a record, or part of
a broken record. Lines that can be told into cells by themselves (usually all) go through Polars' parser; what has
quotes that do not pair up within the line goes record by record through Python's strict csv parser, so that a broken
quote costs that line and not the rest of the file. DuckDB's sniffer is never asked: it can drop a header and rows
silently.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator

import polars as pl

from pipeline.errors import UserError
from pipeline.sources.table import Broken, Dialect, File, RawTable, cell_names, text_codec

_QUOTE = '"'
_LINE_END = re.compile("(\r\n|\r|\n)")
_LONGEST_RECORD = 200  # lines; a quote still open after so many is taken for a stray one
_LONGEST_LINE = 1 << 20  # characters


def read_csv(path: File, dialect: Dialect) -> RawTable:
    """Read a delimited text file as text. Errors that concern the whole file are UserErrors."""
    lines, ends = _lines(_decode(path, dialect.encoding))
    start = next((i for i, line in enumerate(lines) if line.strip()), None)
    if start is None:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    header, body_at = _header(lines, start, dialect, path)
    return _records(lines, ends, start, body_at, header, dialect)


def read_header(path: File, dialect: Dialect) -> tuple[str, ...]:
    """The header alone, for telling which kind a file is."""
    lines = _lines(_decode(path, dialect.encoding), most=200)[0]
    start = next((i for i, line in enumerate(lines) if line.strip()), None)
    if start is None:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    return _header(lines, start, dialect, path)[0]


def _decode(path: File, encoding: str) -> str:
    try:
        data = path.read_bytes()
    except OSError as e:
        raise UserError(f"the file cannot be read ({e.strerror})", where=str(path), do="Check the path") from None
    if not data:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    try:
        codec = text_codec(encoding)
    except LookupError:
        raise UserError(f"no such encoding: {encoding}", where=str(path), do="Use e.g. utf-8 or windows-1252") from None
    if codec == "utf-8" and data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        codec = "utf-16"  # the file says so itself: no UTF-8 text begins with this mark
    if not codec.startswith("utf-16"):
        nul = data.find(b"\0")
        if nul >= 0:
            line = data.count(b"\n", 0, nul) + 1
            raise UserError(
                "is not a text file (it has a NUL byte)", where=f"{path}, line {line}", do="Export it as CSV or XLSX"
            )
    try:
        return data.decode(codec).removeprefix("\ufeff")  # the byte order mark
    except UnicodeDecodeError as e:
        line = len(_LINE_END.findall(data[: e.start].decode(codec, "replace"))) + 1
        raise UserError(
            f"byte {e.start} is not {encoding} text",
            where=f"{path}, line {line}",
            do='Declare the encoding in a mapping file, e.g. encoding = "windows-1252"',
        ) from None


def _lines(text: str, most: int = 0) -> tuple[list[str], list[str]]:
    """The physical lines and what ends each: LF, CR or CRLF, also mixed. `most`: no more lines than this, if not 0."""
    if not most and "\r" not in text:
        lines = text.split("\n")
        ends = ["\n"] * (len(lines) - 1)
    elif not most and text.count("\r\n") == text.count("\r") == text.count("\n"):
        lines = text.split("\r\n")
        ends = ["\r\n"] * (len(lines) - 1)
    else:
        # A cell may hold another kind of line end than the file (spreadsheets do that), and must keep it.
        parts = _LINE_END.split(text, maxsplit=most)
        lines, ends = parts[::2], parts[1::2]
        if most:
            lines, ends = lines[:most], ends[:most]
    if lines[-1] == "" and len(lines) > 1:
        lines.pop()  # the newline that ends the last line
    return lines, [*ends, ""]


def _header(lines: list[str], start: int, dialect: Dialect, path: File) -> tuple[tuple[str, ...], int]:
    """The header's cells and the index of the first line after it (a header cell may hold quoted newlines)."""
    for stop in range(start + 1, min(start + 20, len(lines)) + 1):
        try:
            cells = _cells("\n".join(lines[start:stop]), dialect)
        except csv.Error:
            continue
        return tuple(cell.strip() for cell in cells), stop
    raise UserError(
        "the header has a quote that is never closed", where=f"{path}, line {start + 1}", do="Export it again"
    )


def _cells(record: str, dialect: Dialect) -> list[str]:
    """The cells of one record, strictly by RFC 4180; csv.Error when its quotes do not close."""
    csv.field_size_limit(_LONGEST_LINE * _LONGEST_RECORD)
    return next(csv.reader([record], delimiter=dialect.delimiter, strict=True), [""])


def _records(
    lines: list[str], ends: list[str], start: int, body_at: int, header: tuple[str, ...], dialect: Dialect
) -> RawTable:
    width = len(header)
    body = pl.DataFrame({"line": lines[body_at:]}, schema={"line": pl.String}).with_row_index("source_row", body_at + 1)
    body = body.with_columns(
        pl.col("source_row").cast(pl.Int64),
        # Delimiters are no blanks, even tabs: such a line is a record of empty cells.
        blank=(pl.col("line").str.strip_chars() == "") & ~pl.col("line").str.contains(dialect.delimiter, literal=True),
        quoted=pl.col("line").str.contains(_QUOTE, literal=True),
        cells=pl.col("line").str.count_matches(dialect.delimiter, literal=True) + 1,
        long=pl.col("line").str.len_bytes() > _LONGEST_LINE,
        paired=pl.lit(False),
    )
    if width > 1 and body["quoted"].any():
        body = _paired(body, dialect)
    broken: list[Broken] = []
    quoted_rows: list[list[str]] = []
    quoted_at: list[int] = []
    inside_record: set[int] = set()
    open_at = body.filter(pl.col("quoted") & ~pl.col("paired"))["source_row"].to_list()
    for at, taken, raw, cells in _quoted_records(lines, ends, open_at, dialect):
        inside_record.update(range(at, at + taken))
        if cells is None:
            reason = "The quotation marks of this row do not pair up, so its cells cannot be told apart."
            broken.append(Broken(at, raw, (), "quote_not_closed", reason))
        elif len(cells) == width:
            quoted_rows.append(cells)
            quoted_at.append(at)
        else:
            broken.append(_ragged(at, raw, cells, width))

    plain = body.filter((~pl.col("quoted") | pl.col("paired")) & ~pl.col("blank"))
    if inside_record:
        plain = plain.filter(~pl.col("source_row").is_in(list(inside_record)))
    # A file of one column has no delimiter to count, and a blank line in it is an empty cell to nobody.
    sound = plain.filter((pl.col("cells") == width) & ~pl.col("long"))
    for at, line, long in (
        plain.filter((pl.col("cells") != width) | pl.col("long")).select("source_row", "line", "long").iter_rows()
    ):
        if long:
            broken.append(
                Broken(at, line[:1000], (), "line_too_long", "This line is longer than a million characters.")
            )
        else:
            broken.append(_ragged(at, line, _cells(line, dialect), width))

    # Usually every line is sound and none has quotes: they need not be brought back from the frame.
    quoted, sound = sound.filter("paired"), sound.filter(~pl.col("paired"))
    of_sound = lines[body_at:] if sound.height == body.height else sound["line"].to_list()
    rows = _split(of_sound, sound["source_row"], width, dialect)
    if quoted_at or quoted.height:
        of_quoted = _split(quoted["line"].to_list(), quoted["source_row"], width, dialect, quotes=True)
        rows = pl.concat([rows, of_quoted, _frame(quoted_at, quoted_rows, width)]).sort("source_row")
    blank = body.filter(pl.col("blank") & ~pl.col("source_row").is_in(list(inside_record))).height
    return RawTable(header, rows, tuple(sorted(broken, key=lambda b: b.source_row)), start + blank)


def _paired(body: pl.DataFrame, dialect: Dialect) -> pl.DataFrame:
    """Mark the lines with quotes that are whole records to the letter of RFC 4180, and count their cells."""
    delimiter = f"\\x{{{ord(dialect.delimiter):x}}}"
    quoted_cell = '"(?:[^"]|"")*"'
    cell = f'(?:{quoted_cell}|[^"{delimiter}]*)'
    line = pl.col("line")
    outside = line.str.replace_all(quoted_cell, "").str.count_matches(dialect.delimiter, literal=True)
    paired = pl.col("quoted") & line.str.contains(f"^{cell}(?:{delimiter}{cell})*$")
    return body.with_columns(paired=paired).with_columns(cells=pl.when("paired").then(outside + 1).otherwise("cells"))


def _quoted_records(
    lines: list[str], ends: list[str], quoted: list[int], dialect: Dialect
) -> Iterator[tuple[int, int, str, list[str] | None]]:
    """Records that begin at the lines `quoted`: that line (from 1), how many they take, their text, and their cells.

    Cells are None where a quote is never closed; that record is its first line alone, so that the rest is still read.
    """
    end = 0
    for at in quoted:
        if at <= end:
            continue  # a line inside the record before
        record, taken = lines[at - 1], 1
        while True:
            try:
                cells: list[str] | None = _cells(record, dialect)
            except csv.Error as e:
                more = "unexpected end" in str(e) and taken < _LONGEST_RECORD and at - 1 + taken < len(lines)
                if more:
                    record += ends[at - 2 + taken] + lines[at - 1 + taken]
                    taken += 1
                    continue
                record, taken, cells = lines[at - 1], 1, None
            break
        end = at + taken - 1
        yield at, taken, record, cells


def _ragged(at: int, raw: str, cells: list[str], width: int) -> Broken:
    many = "more" if len(cells) > width else "fewer"
    reason = f"The row has {len(cells)} cells, {many} than the {width} of the header."
    return Broken(at, raw, tuple(cells), "cells_do_not_fit_header", reason)


def _split(sound: list[str], source_row: pl.Series, width: int, dialect: Dialect, quotes: bool = False) -> pl.DataFrame:
    """Lines with the right number of cells -> one text column a cell. Without `quotes` a quote is a character."""
    names = cell_names(width)
    if not sound:
        return _frame([], [], width)
    if width == 1:
        return pl.DataFrame([source_row, pl.Series("c0", sound, dtype=pl.String)])
    # With a header of our own in front: a cell that begins with U+FEFF would pass for a byte order mark and lose it.
    header = dialect.delimiter.join(names)
    rows = pl.read_csv(
        "\n".join([header, *sound]).encode("utf-8", "surrogatepass"),
        separator=dialect.delimiter,
        quote_char=_QUOTE if quotes else None,
        infer_schema=False,
        empty_string_is_null=False,
    )
    if rows.shape != (len(sound), width):
        raise AssertionError(f"{len(sound)} lines of {width} cells came back as {rows.shape}")
    return rows.insert_column(0, source_row)


def _frame(at: list[int], rows: list[list[str]], width: int) -> pl.DataFrame:
    columns = list(zip(*rows, strict=True)) if rows else [()] * width
    schema = {"source_row": pl.Int64, **dict.fromkeys(cell_names(width), pl.String)}
    return pl.DataFrame([list(at), *map(list, columns)], schema=schema)
