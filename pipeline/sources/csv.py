"""Reading delimited text without losing a line.

A file is split into physical lines first and each line is accounted for: header, blank, set aside, part of a record,
or part of a broken record. A file of which one pass proves that every line is a record by itself is read in blocks
(plain.py). Of others, lines that can be told into cells by themselves (usually all) go through Polars' parser;
what has quotes that do not pair up within the line goes record by record through Python's strict csv parser, so that a
broken quote costs that line and not the rest of the file. DuckDB's sniffer is never asked: it can drop a header and
rows silently.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain, islice

import polars as pl

from pipeline.errors import UserError
from pipeline.sources import head
from pipeline.sources.head import is_blank
from pipeline.sources.plain import WIDEST_PATTERN, Form, after, blocks, chunks, has_long_line, paired
from pipeline.sources.table import (
    SHOWN,
    WHITE,
    Aside,
    Broken,
    Dialect,
    File,
    Knows,
    Lines,
    Pieces,
    RawTable,
    cell_names,
)
from pipeline.sources.text import PLAIN_CODECS, decode, lines_of, plain_codec

DELIMITERS = (",", ";", "\t", "|")

# A hint for spreadsheet programs in the first line.
_NAMES_DELIMITER = re.compile(r"""["']?sep=([^\w"'\s]|\t)["']?""", re.IGNORECASE | re.ASCII)
_LONGEST_RECORD = 200  # lines; a quote still open after so many is taken for a stray one
_LONGEST_LINE = 1 << 20  # characters; of a record, too
_LONGEST_HEADER = 20  # lines of one row of the header
_LINES_FOR_A_HEADER = 2000  # usually enough to find it


@dataclass(frozen=True)
class _Head:
    """The header, the lines [at, body_at) that hold it (counted from 0), and what stands before it."""

    header: tuple[str, ...]
    at: int
    body_at: int
    aside: tuple[Aside, ...]
    delimiter: str


@dataclass(frozen=True)
class Plain:
    """A plain file as it was found to be: `form` of its lines, which begin at byte `start`, and how many `records`."""

    head: _Head
    form: Form
    start: int
    records: int
    dialect: Dialect

    @property
    def header(self) -> tuple[str, ...]:
        return self.head.header

    def pieces(self, file: File) -> Pieces:
        """The records of `file`, read anew each time."""
        return self.of(lambda: chunks(file))

    def of(self, read: Callable[[], Iterable[bytes]]) -> Pieces:
        """The records of the bytes that `read` gives each time."""
        head = self.head
        blank = head.at - len(head.aside)
        lines = Lines(
            head.body_at + self.records, head.body_at - head.at, blank, len(head.aside), records=self.records, broken=0
        )
        about = RawTable(
            head.header, _frame([], [], self.form.width), (), blank, aside=head.aside, lines=lines, found=self.dialect
        )
        return Pieces(about, lambda: self._rows(read()))

    def _rows(self, pieces: Iterable[bytes]) -> Iterator[pl.DataFrame]:
        at = self.head.body_at + 1
        for block in after(blocks(pieces), self.start):
            rows = self.form.cells(block)
            number = pl.int_range(at, at + rows.height, dtype=pl.Int64, eager=True).alias("source_row")
            yield rows.insert_column(0, number)
            at += rows.height
        if at - self.head.body_at - 1 != self.records:
            raise AssertionError(f"{self.records} lines came back as {at - self.head.body_at - 1}")


def survey(file: File, dialect: Dialect, knows: Knows | None = None) -> Plain | None:
    """Whether a text file is plain: one pass over its bytes. None where it is not, or where something is wrong with it,
    which the long way will tell."""
    return _survey(chunks(file), dialect, knows, file)


def _survey(pieces: Iterable[bytes], dialect: Dialect, knows: Knows | None, file: File) -> Plain | None:
    if dialect.trailer or dialect.header_row == 0:
        return None
    rest = blocks(pieces)
    begun: list[bytes] = []
    first: list[str] = []
    text = codec = ""
    start = b""
    for block in rest:
        if has_long_line(block):
            return None
        begun.append(block)
        start = b"".join(begun)
        codec = plain_codec(file, start, dialect.encoding) or ""
        if not codec:
            return None
        try:
            text = start.decode(codec).removeprefix("\ufeff")
        except UnicodeDecodeError:
            return None
        first = _first_lines(text, dialect)
        if _enough(first, dialect):
            break
    if not begun:
        return None
    try:
        found = _find_head(first, dialect, knows, file)
    except (UserError, ValueError):
        return None
    first_lines = first[: found.body_at]
    end = "\r\n" if text.partition("\n")[0].endswith("\r") else "\n"
    front = text[: sum(map(len, first_lines)) + found.body_at * len(end)]
    ends = (front.count("\n"), front.count(end), front.count("\r"))
    if ends != (found.body_at, found.body_at, found.body_at if end == "\r\n" else 0) or len(found.header) < 2:
        return None
    mark = len(codecs.BOM_UTF8) if start.startswith(codecs.BOM_UTF8) else 0
    begin = mark + len(front.encode(codec))
    longest = max(first_lines[found.at :], key=len)
    form = Form(len(found.header), found.delimiter, end.encode(), dialect.quote, codec, longest.encode(codec))
    records = 0
    for block in after(chain(begun, rest), begin):
        more = form.records(block)
        if more is None:
            return None
        records += more
    dialect = replace(dialect, encoding=codec, delimiter=found.delimiter, header_row=found.at + 1)
    return Plain(found, form, begin, records, dialect) if records else None


def _enough(lines: list[str], dialect: Dialect) -> bool:
    """Whether the header, if it is anywhere, is in these first lines."""
    least = _LONGEST_HEADER * dialect.header_rows
    filled = sum(not is_blank(line) for line in lines)
    return filled >= head.LOOKED_AT + least and len(lines) >= (dialect.header_row or 0) + least


def read_csv(
    path: File, dialect: Dialect, knows: Knows | None = None, surveyed: tuple[Plain | None] | None = None
) -> RawTable:
    """Read a delimited text file as text. Errors that concern the whole file are UserErrors.

    `knows` says of cells whether they are a known header: see Dialect. ValueError: the delimiter is None and nothing
    can decide it. `surveyed` holds what `survey` said, if it was asked before.
    """
    (plain,) = surveyed or (survey(path, dialect, knows),)
    if plain:
        return plain.pieces(path).whole()
    text, codec = decode(path, dialect.encoding, lambda text: _surely_header(text, dialect, knows))
    if codec not in PLAIN_CODECS and not text.startswith("\ufeff"):  # which would pass for a byte order mark
        data = text.encode("utf-8")
        plain = _survey([data], replace(dialect, encoding=None), knows, path)
        if plain:
            table = plain.of(lambda: [data]).whole()
            return replace(table, found=replace(plain.dialect, encoding=codec))
        del data
    found = _find_head(_first_lines(text, dialect), dialect, knows, path)
    header_row = 0 if dialect.header_row == 0 else found.at + 1
    dialect = replace(dialect, encoding=codec, delimiter=found.delimiter, header_row=header_row)
    physical, ends = lines_of(text)
    del text  # as large as the file
    return _Body(physical, ends, found, dialect).read()


def read_header(path: File, dialect: Dialect, knows: Knows | None = None) -> tuple[str, ...]:
    """The header alone, for telling which kind a file is: that of `read_csv`."""
    text, _ = decode(path, dialect.encoding, lambda text: _surely_header(text, dialect, knows))
    return _find_head(_first_lines(text, dialect), dialect, knows, path).header


def _first_lines(text: str, dialect: Dialect) -> list[str]:
    """As many lines as it takes to find the header."""
    most = max(_LINES_FOR_A_HEADER, (dialect.header_row or 0) + dialect.header_rows * _LONGEST_HEADER)
    lines = lines_of(text, most)[0]
    if sum(not is_blank(line) for line in lines) < head.LOOKED_AT + _LONGEST_HEADER * dialect.header_rows:
        lines = lines_of(text)[0]  # a short file, or one that begins with thousands of blank lines
    return lines


def _find_head(lines: list[str], dialect: Dialect, knows: Knows | None, path: File) -> _Head:
    head.checked_patterns(dialect.trailer, str(path))
    first = next((i for i, line in enumerate(lines) if not is_blank(line)), None)
    if first is None:
        raise UserError("the file is empty", where=str(path), do="Export it again")
    aside: tuple[Aside, ...] = ()
    named = _NAMES_DELIMITER.fullmatch(lines[first].rstrip(WHITE.replace("\t", "")))
    if named and dialect.header_row in (None, 0):
        aside = (Aside(first + 1, lines[first], "It names the sign between cells."),)
        first = next((i for i in range(first + 1, len(lines)) if not is_blank(lines[i])), None)
        if first is None:
            raise UserError("the file is empty", where=str(path), do="Export it again")
    if dialect.delimiter is not None:
        delimiters: tuple[str, ...] = (dialect.delimiter,)
    elif named:
        delimiters = (named[1],)
    elif knows:
        delimiters = DELIMITERS
    else:
        raise ValueError("without a known header nothing tells which sign stands between cells")

    if dialect.header_row:
        first = dialect.header_row - 1
        if first >= len(lines) or is_blank(lines[first]):
            what = "is blank" if first < len(lines) else f"is not there: the file has {len(lines)} lines"
            what = f"line {dialect.header_row}, which the mapping says holds the header, {what}"
            raise UserError(what, where=str(path), do="Mend header_row in the mapping")
        candidates = [first]
    else:
        candidates = list(islice((i for i in range(first, len(lines)) if not is_blank(lines[i])), head.LOOKED_AT))
        sound = head.none_matches([lines[i] for i in candidates], dialect.trailer)
        candidates = [i for i, is_sound in zip(candidates, sound, strict=True) if is_sound] or [first]
        if dialect.header_row == 0:
            candidates = candidates[:1]

    at, (header, body_at, delimiter) = _choose(lines, candidates, delimiters, dialect, knows, path)
    before = head.before(lines, at)
    aside = aside + tuple(a for a in before if not aside or a.source_row > aside[0].source_row)
    return _Head(header, at, body_at, aside, delimiter)


_Found = tuple[tuple[str, ...], int, str]  # the header, the line after it, the delimiter


def _choose(
    lines: list[str],
    candidates: list[int],
    delimiters: tuple[str, ...],
    dialect: Dialect,
    knows: Knows | None,
    path: File,
) -> tuple[int, _Found]:
    """The first candidate that is a known header, under the delimiter that gives it the most cells; else the first."""
    readable: tuple[int, list[_Found]] | None = None
    for at in candidates if knows else candidates[:1]:
        found = [h for d in delimiters if (h := _header(lines, at, replace(dialect, delimiter=d)))]
        known = [h for h in found if knows and knows(h[0])]
        if known:
            return at, max(known, key=lambda h: len(h[0]))
        if at == candidates[0]:
            readable = at, found
    assert readable is not None
    at, found = readable
    if found:
        return at, max(found, key=lambda h: len(h[0]))
    where = f"{path}, line {at + 1}"
    if len(lines[at]) > _LONGEST_LINE:
        raise UserError("the header is longer than a million characters", where=where, do="Export it again")
    raise UserError("the header has a quote that is never closed", where=where, do="Export it again")


def _header(lines: list[str], at: int, dialect: Dialect) -> _Found | None:
    """The header that begins in a line; None if its quotes do not close. A cell of it may hold quoted newlines."""
    assert dialect.delimiter is not None
    rows, stop = [], at
    for _ in range(1 if dialect.header_row == 0 else dialect.header_rows):
        row = _header_cells(lines, stop, dialect)
        if row is None:
            return None
        cells, stop = row
        rows.append(cells)
    if dialect.header_row == 0:
        return head.numbered(len(rows[0])), at, dialect.delimiter
    return head.join(rows), stop, dialect.delimiter


def _header_cells(lines: list[str], at: int, dialect: Dialect) -> tuple[list[str], int] | None:
    for stop in range(at + 1, min(at + _LONGEST_HEADER, len(lines)) + 1):
        if sum(map(len, lines[at:stop])) > _LONGEST_LINE:
            return None
        try:
            return _cells("\n".join(lines[at:stop]), dialect), stop
        except csv.Error:
            continue
    return None


def _surely_header(text: str, dialect: Dialect, knows: Knows | None) -> tuple[int, int] | None:
    """The lines of the header if they surely are one, and so may be shown."""
    lines, _ = lines_of(text, _LINES_FOR_A_HEADER)
    if dialect.header_row:
        return dialect.header_row - 1, dialect.header_row - 1 + dialect.header_rows
    filled = [i for i, line in enumerate(lines) if not is_blank(line)][: head.LOOKED_AT]
    delimiters = DELIMITERS if dialect.delimiter is None else (dialect.delimiter,)
    if dialect.header_row == 0 or not filled:
        return None
    for at in filled if knows else ():
        for delimiter in delimiters:
            found = _header(lines, at, replace(dialect, delimiter=delimiter))
            if found and knows and knows(found[0]):
                return at, found[1]
    # A record has a figure somewhere, a line of text above the header few cells.
    line = lines[filled[0]]
    cells = max(sum(not is_blank(cell) for cell in line.split(delimiter)) for delimiter in delimiters)
    return None if cells < 3 or any(c.isdigit() for c in line) else (filled[0], filled[0] + 1)


def _cells(record: str, dialect: Dialect) -> list[str]:
    """The cells of one record, strictly by RFC 4180; csv.Error when its quotes do not close."""
    assert dialect.delimiter is not None
    if not dialect.quote or dialect.quote not in record:
        return record.split(dialect.delimiter)
    csv.field_size_limit(_LONGEST_LINE * 2)
    return next(csv.reader([record], delimiter=dialect.delimiter, quotechar=dialect.quote, strict=True), [""])


class _Body:
    """The lines after the header, told into records."""

    def __init__(self, lines: list[str], ends: list[str], found: _Head, dialect: Dialect) -> None:
        self.lines, self.ends, self.head, self.dialect = lines, ends, found, dialect
        self.width = len(found.header)
        assert dialect.delimiter is not None
        self.delimiter = dialect.delimiter
        self.long: list[int] = []
        if max(map(len, lines), default=0) > _LONGEST_LINE:
            self.long = [at for at, line in enumerate(lines, 1) if len(line) > _LONGEST_LINE]
            for at in self.long:
                lines[at - 1] = lines[at - 1][:SHOWN]

    def read(self) -> RawTable:
        body = self._measured()
        # Usually every line is a record by itself and none has quotes: nothing needs to be brought back from a frame.
        fits = body["fits"]
        if bool(fits.all()):
            rows = self._split(self.lines[self.head.body_at :], body["source_row"])
            return self._table(rows, [], self.head.aside, blank=0, records=body.height)

        rest = self._told(body.filter(~fits) if fits.any() else body)
        aside = rest.filter(pl.col("why") != "")
        broken: list[Broken] = []
        quoted_rows: list[list[str]] = []
        quoted_at: list[int] = []
        inside: list[int] = []  # the lines of records that take more than their own
        of_quoted = of_broken = 0
        for at, taken, raw, cells in self._quoted_records(rest):
            if taken > 1:
                inside += range(at, at + taken)
            if cells is not None and len(cells) == self.width:
                quoted_rows.append(cells)
                quoted_at.append(at)
                of_quoted += taken
                continue
            of_broken += taken
            if cells is None:
                reason = "The quotation marks of this row do not pair up, so its cells cannot be told apart."
                broken.append(Broken(at, raw, (), "quote_not_closed", reason))
            else:
                broken.append(_ragged(at, raw, cells, self.width))

        sound = body.filter(fits)
        if inside:
            within = pl.Series(inside, dtype=pl.Int64).implode()
            rest, sound, aside = (f.filter(~pl.col("source_row").is_in(within)) for f in (rest, sound, aside))
        blank = rest.filter("blank").height
        paired = rest.filter("paired")
        unfit = rest.filter(~pl.col("quoted") & ~pl.col("blank") & (pl.col("why") == ""))
        for at, line, long in unfit.select("source_row", "line", "long").iter_rows():
            of_broken += 1
            if long:
                reason = f"This line is longer than a million characters; its first {SHOWN} are kept."
                broken.append(Broken(at, line, (), "line_too_long", reason))
            else:
                broken.append(_ragged(at, line, _cells(line, self.dialect), self.width))

        rows = self._split(sound["line"].to_list(), sound["source_row"])
        if quoted_at or paired.height:
            of_paired = self._split(paired["line"].to_list(), paired["source_row"], quotes=True)
            parts = [part for part in (rows, of_paired, _frame(quoted_at, quoted_rows, self.width)) if part.height]
            rows = pl.concat(parts).sort("source_row") if len(parts) > 1 else parts[0]
        aside = aside.select("source_row", pl.col("line").str.slice(0, SHOWN), "why")
        found = [Aside(*row) for row in aside.iter_rows()]
        return self._table(
            rows,
            sorted(broken, key=lambda b: b.source_row),
            (*self.head.aside, *sorted(found, key=lambda a: a.source_row)),
            blank=blank,
            records=sound.height + paired.height + of_quoted,
            of_broken=of_broken,
        )

    def _measured(self) -> pl.DataFrame:
        """Of each line what decides where it goes: source_row, line, cells, quoted, long, why it is aside, fits."""
        at = self.head.body_at
        body = pl.DataFrame({"line": self.lines[at:]}, schema={"line": pl.String}).with_row_index("source_row", at + 1)
        line, quote = pl.col("line"), self.dialect.quote
        body = body.with_columns(
            pl.col("source_row").cast(pl.Int64),
            cells=line.str.count_matches(self.delimiter, literal=True) + 1,
            quoted=line.str.contains(quote, literal=True) if quote else pl.lit(False),
            long=pl.col("source_row").is_in(self.long) if self.long else pl.lit(False),
            why=self._why_aside(),
        )
        fits = (pl.col("cells") == self.width) & ~pl.col("quoted") & ~pl.col("long") & (pl.col("why") == "")
        # A file of one column has no delimiter to count, and a blank line in it is an empty cell to nobody.
        return body.with_columns(fits=fits if self.width > 1 else fits & (line.str.strip_chars(WHITE) != ""))

    def _why_aside(self) -> pl.Expr:
        """Why a line is no record; empty for all others."""
        line = pl.col("line")
        why: pl.Expr = pl.lit("")
        if self.dialect.trailer:
            why = pl.when(head.matches(line, self.dialect.trailer)).then(pl.lit(head.TRAILER)).otherwise(why)
        header = self.lines[self.head.at : self.head.body_at]
        if header and not all(is_blank(text) for text in header):
            starts = pl.all_horizontal(line.shift(-i) == text for i, text in enumerate(header)).fill_null(False)
            within = pl.any_horizontal(starts.shift(i, fill_value=False) for i in range(len(header)))
            why = pl.when(within).then(pl.lit(head.REPEATED)).otherwise(why)
        return why

    def _told(self, rest: pl.DataFrame) -> pl.DataFrame:
        """Which of the lines that do not fit as they are, are blank, and which have quotes that pair up (`paired`).

        Those are whole records of the header's width, to the letter of RFC 4180.
        """
        line = pl.col("line")
        rest = rest.with_columns(
            # Delimiters are no blanks, even tabs: such a line is a record of empty cells.
            blank=(pl.col("cells") == 1) & ~pl.col("long") & (line.str.strip_chars(WHITE) == ""),
            quoted=pl.col("quoted") & ~pl.col("long") & (pl.col("why") == ""),
            paired=pl.lit(False),
        )
        if self.width == 1 or self.width > WIDEST_PATTERN or not rest["quoted"].any():
            return rest
        pairs = line.str.contains(paired(self.width, self.delimiter, self.dialect.quote))
        if rest["quoted"].all():
            return rest.with_columns(paired=pairs)
        quoted = rest.filter("quoted").with_columns(paired=pairs)
        return pl.concat([quoted, rest.filter(~pl.col("quoted"))])

    def _quoted_records(self, rest: pl.DataFrame) -> Iterator[tuple[int, int, str, list[str] | None]]:
        """Records with quotes that are not paired: their first line, how many they take, their text, and their cells.

        Cells are None where a quote is never closed; that record is its first line alone, so that the rest is still
        read.
        """
        end = 0
        for at in rest.filter(pl.col("quoted") & ~pl.col("paired"))["source_row"].sort().to_list():
            if at <= end:
                continue  # a line inside the record before
            taken, cells = self._quoted_record(at)
            end = at + taken - 1
            yield at, taken, self._text(at, taken), cells

    def _quoted_record(self, at: int) -> tuple[int, list[str] | None]:
        length = 0
        for taken in range(1, min(_LONGEST_RECORD, len(self.lines) - at + 1) + 1):
            line = self.lines[at - 2 + taken]
            length += len(line)
            if length > _LONGEST_LINE or at - 1 + taken in self.long:
                break
            if self.dialect.quote not in line:
                continue  # what is open stays open
            try:
                return taken, _cells(self._text(at, taken), self.dialect)
            except csv.Error as e:
                if "unexpected end" not in str(e):
                    break
        return 1, None

    def _text(self, at: int, taken: int) -> str:
        lines, ends = self.lines[at - 1 : at - 1 + taken], self.ends[at - 1 : at - 1 + taken]
        return "".join(line + end for line, end in zip(lines, [*ends[:-1], ""], strict=True))

    def _split(self, sound: list[str], source_row: pl.Series, quotes: bool = False) -> pl.DataFrame:
        """Lines with the right number of cells -> one text column a cell. Without `quotes` a quote is a character."""
        names = cell_names(self.width)
        if not sound:
            return _frame([], [], self.width)
        if self.width == 1:
            return pl.DataFrame([source_row, pl.Series("c0", sound, dtype=pl.String)])
        # With a header of our own in front: a first cell that begins with U+FEFF would pass for a byte order mark.
        rows = pl.read_csv(
            "\n".join([self.delimiter.join(names), *sound]).encode("utf-8"),
            separator=self.delimiter,
            quote_char=self.dialect.quote if quotes else None,
            infer_schema=False,
            empty_string_is_null=False,
        )
        if rows.shape != (len(sound), self.width):
            raise AssertionError(f"{len(sound)} lines of {self.width} cells came back as {rows.shape}")
        return rows.insert_column(0, source_row)

    def _table(
        self,
        rows: pl.DataFrame,
        broken: list[Broken],
        aside: tuple[Aside, ...],
        *,
        blank: int,
        records: int,
        of_broken: int = 0,
    ) -> RawTable:
        at, body_at = self.head.at, self.head.body_at
        blank += at - len(self.head.aside)
        lines = Lines(len(self.lines), body_at - at, blank, len(aside), records, of_broken)
        return RawTable(self.head.header, rows, tuple(broken), blank, aside=aside, lines=lines, found=self.dialect)


def _ragged(at: int, raw: str, cells: list[str], width: int) -> Broken:
    many = "more" if len(cells) > width else "fewer"
    reason = f"The row has {len(cells)} cells, {many} than the {width} of the header."
    return Broken(at, raw, tuple(cells), "cells_do_not_fit_header", reason)


def _frame(at: list[int], rows: list[list[str]], width: int) -> pl.DataFrame:
    columns = list(zip(*rows, strict=True)) if rows else [()] * width
    schema = {"source_row": pl.Int64, **dict.fromkeys(cell_names(width), pl.String)}
    return pl.DataFrame([list(at), *map(list, columns)], schema=schema)
