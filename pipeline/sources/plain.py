"""The short way of the delimited file that is as it should be: every line a record of the header's width, no quotes.

It is taken only where counting bytes proves that, so it gives what the long way (csv.py) would, in half the time.
"""

from __future__ import annotations

import polars as pl

from pipeline.sources.table import Dialect, cell_names

_STRETCH = 1 << 19  # characters; where so many hold no line end a line may be too long, and is looked at by itself


def plain_rows(text: str, lines: list[str], at: int, body_at: int, width: int, dialect: Dialect) -> pl.DataFrame | None:
    """The records after the header as `RawTable.rows`; None unless every line surely is one by itself.

    `lines` are the first lines of `text`, with the header in those from `at` to before `body_at`; `width` is the number
    of its cells.
    """
    import numpy as np

    delimiter = dialect.delimiter
    if width < 2 or delimiter is None or dialect.trailer or at == body_at:
        return None
    if any(text.find("\n", i, i + _STRETCH) < 0 for i in range(0, len(text) - _STRETCH, _STRETCH)):
        return None
    if "\r" in text:
        if not text.count("\r\n") == text.count("\r") == text.count("\n"):
            return None
        text = text.replace("\r\n", "\n")
    start = sum(map(len, lines[:body_at])) + body_at
    body = text[start:]
    header = "\n".join(lines[at:body_at])
    if not body or (dialect.quote and dialect.quote in body) or header in body:
        return None
    if not body.endswith("\n"):
        body += "\n"
    data = body.encode("utf-8")
    octets = np.frombuffer(data, dtype=np.uint8)
    ends = np.flatnonzero(octets == ord("\n"))
    signs = np.flatnonzero(octets == ord(delimiter))
    if len(signs) != len(ends) * (width - 1):
        return None
    # As many on every line: the last sign of line i is the one before its end, and the next stands after it.
    lasts = signs[width - 2 :: width - 1]
    firsts = signs[:: width - 1]
    if not ((lasts < ends).all() and (firsts[1:] > ends[:-1]).all()):
        return None
    names = cell_names(width)
    # With a header of our own in front: a first cell that begins with U+FEFF would pass for a byte order mark.
    rows = pl.read_csv(
        delimiter.join(names).encode() + b"\n" + data,
        separator=delimiter,
        quote_char=None,
        infer_schema=False,
        empty_string_is_null=False,
    )
    if rows.shape != (len(ends), width):
        raise AssertionError(f"{len(ends)} lines of {width} cells came back as {rows.shape}")
    return rows.insert_column(0, pl.int_range(body_at + 1, body_at + 1 + len(ends), eager=True).alias("source_row"))
