"""The short way of the delimited file that is as it should be: every line a record of the header's width.

It is taken only where one pass over the file's bytes, block by block, proves that: so it gives what the long way
(csv.py) would, in a fraction of the time, and the file is never in memory as a whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import polars as pl

from pipeline.sources.pool import CHUNK
from pipeline.sources.table import File, cell_names

WIDEST_PATTERN = 1000  # cells; the quotes of a wider line are told by Python's parser
_STRETCH = 1 << 19  # bytes; where so many hold no line end a line may be too long, and is looked at by itself


def paired(width: int, delimiter: str, quote: str) -> str:
    """A pattern of lines that are whole records of so many cells, whose quotes pair up to the letter of RFC 4180."""
    delimiter, quote = (f"\\x{{{ord(sign):x}}}" for sign in (delimiter, quote))
    cell = f"(?:{quote}(?:[^{quote}]|{quote}{quote})*{quote}|[^{quote}{delimiter}]*)"
    return f"^{cell}(?:{delimiter}{cell}){{{width - 1}}}$"


def chunks(file: File) -> Iterator[bytes]:
    """The bytes of a file, in pieces where it can give them so."""
    read = getattr(file, "chunks", None)
    if read:
        yield from read()
        return
    data = file.read_bytes()
    for at in range(0, len(data), CHUNK):
        yield data[at : at + CHUNK]


def has_long_line(block: bytes) -> bool:
    """Whether a line of it may be longer than any record."""
    return any(block.find(b"\n", i, i + _STRETCH) < 0 for i in range(0, len(block) - _STRETCH, _STRETCH))


def blocks(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """The same bytes cut after the last LF of each piece, so that a line is not in two. The last line may lack its end.

    Where a line is longer than any that is plain, the cut falls within it.
    """
    rest = b""
    for piece in pieces:
        cut = piece.rfind(b"\n") + 1
        if not cut and len(rest) <= 2 * _STRETCH:
            rest += piece
            continue
        cut = cut or len(piece)
        yield rest + piece[:cut]
        rest = piece[cut:]
    if rest:
        yield rest


def after(pieces: Iterable[bytes], start: int) -> Iterator[bytes]:
    """Blocks without the first `start` bytes of them all."""
    for piece in pieces:
        left, start = piece[start:], max(0, start - len(piece))
        if left:
            yield left


@dataclass(frozen=True)
class Form:
    """How every line of a plain file is written: so many cells, the sign between them, the end, the text's codec.

    `header` is a line of the header, as the file has it: the longest, where there are several.
    """

    width: int
    delimiter: str
    end: bytes
    quote: str
    codec: str
    header: bytes

    def records(self, block: bytes) -> int | None:
        """How many lines a block has; None unless each surely is a record by itself."""
        if has_long_line(block) or self.header in block or not self._reads(block):
            return None
        block = self._ended(block)
        delimiter = self.delimiter.encode()
        if self.quote and self.quote.encode() in block:
            return self._quoted(block)
        signs = {*delimiter, *self.quote.encode(), *b"\0\r\n"}
        skeleton = block.translate(None, bytes(set(range(256)) - signs))
        lines = skeleton.count(b"\n")
        if skeleton != (delimiter * (self.width - 1) + self.end) * lines:
            return None
        if self.end == b"\r\n" and block.count(self.end) != lines:
            return None
        return lines

    def _quoted(self, block: bytes) -> int | None:
        """As `records`, of a block in which some cells are quoted: none holds a line end, and all quotes pair up."""
        lines = block.count(b"\n")
        if self.width > WIDEST_PATTERN or b"\0" in block or block.count(self.end) != lines:
            return None
        if block.count(b"\r") != (lines if self.end == b"\r\n" else 0):
            return None
        quote, delimiter = self.quote.encode(), self.delimiter.encode()
        cells = lines * self.width
        if block.count(quote) == 2 * cells and block.count(delimiter) == cells - lines:
            # Nothing is between the quotes that could be taken for another sign: where each pair touches what it must
            # touch, as every quote is one of these, the cells are told.
            between, turn = quote + delimiter + quote, quote + self.end + quote
            skeleton = block.translate(None, bytes(set(range(256)) - {*delimiter, *quote, *self.end}))
            row = delimiter.join([quote * 2] * self.width) + self.end
            if (
                skeleton == row * lines
                and block.count(between) == cells - lines
                and block.count(turn) == lines - 1
                and block.startswith(quote)
                and block.endswith(quote + self.end)
            ):
                return lines
        text = block.decode(self.codec).removesuffix(self.end.decode())
        line = pl.col("line")
        one_each = pl.DataFrame({"line": text.split(self.end.decode())}).select(
            pl.when(line.str.contains(self.quote, literal=True))
            .then(line.str.contains(paired(self.width, self.delimiter, self.quote)))
            .otherwise(line.str.count_matches(self.delimiter, literal=True) == self.width - 1)
            .all()
        )
        return lines if one_each.item() else None

    def cells(self, block: bytes) -> pl.DataFrame:
        """The cells of a block's lines as text, in the columns c0, c1, ..."""
        data = self._ended(block)
        if self.codec != "utf-8":
            data = data.decode(self.codec).encode("utf-8")
        if self.end == b"\r\n":
            data = data.replace(b"\r\n", b"\n")
        # With a header of our own in front: a first cell that begins with U+FEFF would pass for a byte order mark.
        return pl.read_csv(
            self.delimiter.join(cell_names(self.width)).encode() + b"\n" + data,
            separator=self.delimiter,
            quote_char=self.quote if self.quote and self.quote.encode() in block else None,
            infer_schema=False,
            empty_string_is_null=False,
        )

    def _ended(self, block: bytes) -> bytes:
        return block if block.endswith(b"\n") else block + self.end

    def _reads(self, block: bytes) -> bool:
        if block.isascii():
            return True
        try:
            block.decode(self.codec)
        except UnicodeDecodeError:
            return False
        return True
