"""Reading delimited text without losing a line.

A file is split into physical lines first and each line is accounted for: header, blank, part of a record, or part of
a broken record. Lines without a quote character and with the right number of cells (usually all) go through Polars'
parser; records with quotes go one by one through Python's strict csv parser, so that a broken quote costs that line
and not the rest of the file. DuckDB's sniffer is never asked: it can drop a header and rows silently.
"""

from __future__ import annotations

import codecs
import csv
from collections.abc import Iterator
from pathlib import Path

import polars as pl

from pipeline.errors import UserError
from pipeline.sources.table import Broken, Dialect, RawTable, cell_names

_QUOTE = '"'
_LONGEST_RECORD = 200  # lines; a quote still open after so many is taken for a stray one
_LONGEST_LINE = 1 << 20  # characters


def read_csv(path: Path, dialect: Dialect) -> RawTable:
    """Read a delimited text file as text. Errors that concern the whole file are UserErrors."""
    lines = _decode(path, dialect.encoding).split("\n")
    if lines and lines[-1] == "":
        lines.pop()  # the newline that ends the last line
    start = next((i for i, line in enumerate(lines) if line.strip()), None)
    if start is None:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    header, body_at = _header(lines, start, dialect, path)
    return _records(lines, body_at, header, dialect)


def read_header(path: Path, dialect: Dialect) -> tuple[str, ...]:
    """The header alone, for telling which kind a file is."""
    lines = _decode(path, dialect.encoding).split("\n", 200)[:200]
    start = next((i for i, line in enumerate(lines) if line.strip()), None)
    if start is None:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    return _header(lines, start, dialect, path)[0]


def _decode(path: Path, encoding: str) -> str:
    try:
        data = path.read_bytes()
    except OSError as e:
        raise UserError(f"the file cannot be read ({e.strerror})", where=str(path), do="Check the path") from None
    if not data:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    try:
        codec = codecs.lookup(encoding).name
    except LookupError:
        raise UserError(f"no such encoding: {encoding}", where=str(path), do="Use e.g. utf-8 or windows-1252") from None
    if not codec.startswith("utf-16") and b"\0" in data[:4096]:
        raise UserError("is not a text file", where=str(path), do="Export it as CSV or XLSX")
    if codec == "utf-8":
        data = data.removeprefix(codecs.BOM_UTF8)
    try:
        text = data.decode(codec)
    except UnicodeDecodeError as e:
        line = data.count(b"\n", 0, e.start) + 1
        raise UserError(
            f"byte {e.start} is not {encoding} text",
            where=f"{path}, line {line}",
            do='Declare the encoding in a mapping file, e.g. encoding = "windows-1252"',
        ) from None
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text


def _header(lines: list[str], start: int, dialect: Dialect, path: Path) -> tuple[tuple[str, ...], int]:
    """The header's cells and the index of the first line after it (a header cell may hold quoted newlines)."""
    for stop in range(start + 1, min(start + 20, len(lines)) + 1):
        try:
            cells = _cells("\n".join(lines[start:stop]), dialect)
        except csv.Error:
            continue
        return tuple(cell.strip() for cell in cells), stop
    raise UserError("the header has a quote that is never closed", where=f"{path}, line {start + 1}", do="Export it again")


def _cells(record: str, dialect: Dialect) -> list[str]:
    """The cells of one record, strictly by RFC 4180; csv.Error when its quotes do not close."""
    csv.field_size_limit(_LONGEST_LINE * _LONGEST_RECORD)
    return next(csv.reader([record], delimiter=dialect.delimiter, strict=True), [""])


def _records(lines: list[str], body_at: int, header: tuple[str, ...], dialect: Dialect) -> RawTable:
    width = len(header)
    body = pl.DataFrame({"line": lines[body_at:]}, schema={"line": pl.String}).with_row_index("source_row", body_at + 1)
    body = body.with_columns(
        pl.col("source_row").cast(pl.Int64),
        blank=pl.col("line").str.strip_chars() == "",
        quoted=pl.col("line").str.contains(_QUOTE, literal=True),
        cells=pl.col("line").str.count_matches(dialect.delimiter, literal=True) + 1,
        long=pl.col("line").str.len_bytes() > _LONGEST_LINE,
    )
    broken: list[Broken] = []
    quoted_rows: list[list[str]] = []
    quoted_at: list[int] = []
    inside_record: set[int] = set()
    for at, taken, cells in _quoted_records(lines, body.filter("quoted")["source_row"].to_list(), dialect):
        inside_record.update(range(at, at + taken))
        if cells is None:
            reason = "A quotation mark is opened and not closed in this row."
            broken.append(Broken(at, lines[at - 1], (), "quote_not_closed", reason))
        elif len(cells) == width:
            quoted_rows.append(cells)
            quoted_at.append(at)
        else:
            broken.append(_ragged(at, "\n".join(lines[at - 1 : at - 1 + taken]), cells, width))

    plain = body.filter(~pl.col("quoted") & ~pl.col("blank"))
    if inside_record:
        plain = plain.filter(~pl.col("source_row").is_in(list(inside_record)))
    # A file of one column has no delimiter to count, and a blank line in it is an empty cell to nobody.
    sound = plain.filter((pl.col("cells") == width) & ~pl.col("long"))
    for at, line, long in plain.filter((pl.col("cells") != width) | pl.col("long")).select(
        "source_row", "line", "long"
    ).iter_rows():
        if long:
            broken.append(Broken(at, line[:1000], (), "line_too_long", "This line is longer than a million characters."))
        else:
            broken.append(_ragged(at, line, line.split(dialect.delimiter), width))

    rows = pl.concat([_split(sound, width, dialect), _frame(quoted_at, quoted_rows, width)])
    if quoted_at:
        rows = rows.sort("source_row")
    blank = body.filter(pl.col("blank") & ~pl.col("source_row").is_in(list(inside_record))).height
    return RawTable(header, rows, tuple(sorted(broken, key=lambda b: b.source_row)), blank)


def _quoted_records(
    lines: list[str], quoted: list[int], dialect: Dialect
) -> Iterator[tuple[int, int, list[str] | None]]:
    """Records with quotes: the line they start at (from 1), how many lines they take, and their cells.

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
                    record += "\n" + lines[at - 1 + taken]
                    taken += 1
                    continue
                cells, taken = None, 1
            break
        end = at + taken - 1
        yield at, taken, cells


def _ragged(at: int, raw: str, cells: list[str], width: int) -> Broken:
    many = "more" if len(cells) > width else "fewer"
    reason = f"The row has {len(cells)} cells, {many} than the {width} of the header."
    return Broken(at, raw, tuple(cells), "cells_do_not_fit_header", reason)


def _split(sound: pl.DataFrame, width: int, dialect: Dialect) -> pl.DataFrame:
    """Lines with the right number of cells and no quotes -> one text column a cell."""
    names = cell_names(width)
    if not sound.height:
        return _frame([], [], width)
    if width == 1:
        return sound.select("source_row", pl.col("line").alias("c0"))
    rows = pl.read_csv(
        "\n".join(sound["line"]).encode("utf-8", "surrogatepass"),
        has_header=False,
        separator=dialect.delimiter,
        quote_char=None,
        infer_schema=False,
        new_columns=names,
        empty_string_is_null=False,
    )
    if rows.shape != (sound.height, width):
        raise AssertionError(f"{sound.height} lines of {width} cells came back as {rows.shape}")
    return rows.insert_column(0, sound["source_row"])


def _frame(at: list[int], rows: list[list[str]], width: int) -> pl.DataFrame:
    columns = list(zip(*rows, strict=True)) if rows else [()] * width
    schema = {"source_row": pl.Int64, **dict.fromkeys(cell_names(width), pl.String)}
    return pl.DataFrame([list(at), *map(list, columns)], schema=schema)
