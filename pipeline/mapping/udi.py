"""What the bar code of an instrument's package says, for whole columns: gs1.py in Polars expressions."""

from __future__ import annotations

import datetime as dt

import polars as pl

_FNC1 = "\x1d"
_SET = r"[!\"%&'()*+,\-./0-9:;<=>?A-Z_a-z]"  # GS1 character set 82


def _shape(after_fixed: str) -> str:
    fixed = "|".join(f"{ai}(?P<{name}>[0-9]{{{n}}}){after_fixed}" for ai, name, n in _FIXED)
    variable = "|".join(f"{ai}(?P<{name}>{_SET}{{1,20}})(?:\x1d|$)" for ai, name in _VARIABLE)
    return f"^(?:{fixed}|{variable})+$"


_FIXED = (("01", "gtin", 14), ("11", "produced", 6), ("17", "expires", 6))
_VARIABLE = (("10", "lot"), ("21", "serial"))
_SCANNED, _BRACKETED = _shape("\x1d?"), _shape("(?:\x1d|$)")


def read_udis(udis: pl.Series) -> pl.DataFrame:
    """gtin, lot, serial (text) and expires_on (date) of each element string; all null where it is not valid.

    Valid is what gs1.parse accepts, but for an element that stands twice.
    """
    frame = udis.to_frame("udi").with_columns(
        text=pl.col("udi")
        .str.strip_chars()
        .str.strip_chars(_FNC1)
        .str.replace(r"^\](?:C1|e0|d2|Q3|J1)", "")
        .str.strip_chars_start(_FNC1)
    )
    bracketed = pl.col("text").str.starts_with("(")
    # As a scanner would send it; elements of other identifiers are left out. Values may hold brackets themselves.
    scanned = (
        pl.col("text")
        .str.replace_all(r"\((01|10|11|17|21)\)", "\x1d$1")
        .str.replace_all(r"\([0-9]{2,4}\)", "\x1d\x1e")
        .str.replace_all("\x1d\x1e[^\x1d]*", "")
        .str.strip_chars(_FNC1)
    )
    frame = frame.with_columns(text=pl.when(bracketed).then(scanned).otherwise("text"), bracketed=bracketed)
    said = (
        pl.when("bracketed")
        .then(pl.col("text").str.extract_groups(_BRACKETED))
        .otherwise(pl.col("text").str.extract_groups(_SCANNED))
    )
    frame = frame.with_columns(said.alias("said")).unnest("said")
    names = [name for _, name, *_ in (*_FIXED, *_VARIABLE)]
    # The groups hold each identifier's last element: an earlier one shows as characters that nothing accounts for.
    accounted = pl.sum_horizontal(
        pl.col(name).str.len_chars().fill_null(0) + 2 * pl.col(name).is_not_null() for name in names
    )
    frame = frame.with_columns(produced_on=_date(pl.col("produced")), expires_on=_date(pl.col("expires")))
    sound = (
        (accounted == pl.col("text").str.replace_all(_FNC1, "", literal=True).str.len_chars())
        & (accounted > 0)
        & (pl.col("gtin").is_null() | _valid_gtin(pl.col("gtin")))
        & (pl.col("serial").is_null() | pl.col("gtin").is_not_null())
        & (pl.col("produced").is_null() | pl.col("produced_on").is_not_null())
        & (pl.col("expires").is_null() | pl.col("expires_on").is_not_null())
    )
    return frame.select(pl.when(sound).then(name).alias(name) for name in ("gtin", "lot", "serial", "expires_on"))


def fill_from_udi(instruments: pl.DataFrame) -> pl.DataFrame:
    """Fill lot, expires_on and instrument_id (the serial) from a readable udi where the export left them empty."""
    said = read_udis(instruments["udi"])
    return instruments.with_columns(
        instruments[column].fill_null(said[source]).alias(column)
        for column, source in (("lot", "lot"), ("expires_on", "expires_on"), ("instrument_id", "serial"))
    )


def _valid_gtin(gtin: pl.Expr) -> pl.Expr:
    """Fourteen digits, weights 3 and 1 in turn from the left, sum to a multiple of ten."""
    digits = (gtin.str.slice(i, 1).cast(pl.Int32, strict=False) * (3 if i % 2 == 0 else 1) for i in range(14))
    return pl.sum_horizontal(digits) % 10 == 0


def _date(yymmdd: pl.Expr) -> pl.Expr:
    """A GS1 date: day 00 is the last of the month; the century is the one within 50 years of today's."""
    this = dt.date.today().year
    year = yymmdd.str.slice(0, 2).cast(pl.Int32, strict=False) + (this - this % 100)
    year = pl.when(year - this >= 51).then(year - 100).when(year - this <= -50).then(year + 100).otherwise(year)
    day = yymmdd.str.slice(4, 2)
    first = pl.concat_str(year.cast(pl.String), yymmdd.str.slice(2, 2), day.replace("00", "01"), separator="-")
    date = first.str.to_date("%Y-%m-%d", strict=False)
    return pl.when(day == "00").then(date.dt.month_end()).otherwise(date)
