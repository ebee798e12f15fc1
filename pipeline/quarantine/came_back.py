"""A file of refused rows that comes back mended: its texts as they were before export made them harmless."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.refusals import ABOUT

if TYPE_CHECKING:
    from pipeline.sources.table import RawTable

_MADE_HARMLESS = r"^'([=+\-@\t\r\n\x00＝＋－＠])"


def as_meant(raw: RawTable) -> RawTable:
    """`raw` without the apostrophes that export put before formulas; what is no export of ours stays as it is."""
    if not set(ABOUT) <= set(raw.header):
        return raw
    cells = pl.selectors.starts_with("c") & pl.selectors.string()
    plain = raw.rows.with_columns(cells.str.replace(_MADE_HARMLESS, "$1"))
    return replace(raw, rows=plain)
