"""Text -> typed values, by declared formats; null where a text is not written as declared.

Nothing is guessed here. What else could have been meant is only ever said in the reason of the fault.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import polars as pl

from pipeline.mapping import units
from pipeline.records import Type
from pipeline.sources.table import FAILED, NOT_COMPUTED

POLARS_TYPE: dict[Type, pl.DataType] = {
    "text": pl.String(),
    "int": pl.Int32(),
    "decimal": pl.Float64(),
    "date": pl.Date(),
    "timestamp": pl.Datetime("us"),
    "bool": pl.Boolean(),
}

_EXPECTED: dict[Type, str] = {
    "int": "a whole number",
    "decimal": "a number",
    "date": "a date",
    "timestamp": "a date and time",
    "bool": "yes or no",
    "text": "text",
}

ISO = "iso"
_ISO_DATE = "%Y-%m-%d"
_ISO_TIMESTAMPS = ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S%.f")
_YEAR_1000 = (dt.date(1000, 1, 1) - dt.date(1970, 1, 1)).days
_TIME_OF_DAY = re.compile("%[HIRTz]")
_BELOW_ONE = r"^[+-]?0?\.\d+$"
_SPACES = r"[\s\u200b\u2060\ufeff]+"
_OFFSET = r"[+-]\d{2}:?\d{2}$"

# What dates are written as in practice, for saying what a file may mean; common practice, no source.
DATE_FORMATS = (
    *("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d"),
    *("%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%d-%m-%y", "%d %b %Y", "%d-%b-%Y", "%b %d, %Y", "%d %B %Y"),
)
TIME_FORMATS = ("%H:%M", "%H:%M:%S", "%I:%M %p", "%I:%M:%S %p", "%H.%M")


@dataclass(frozen=True)
class Reading:
    """How the texts of one column are to be read.

    `form`: strftime format of dates and times, or "iso"; None: ISO as well, but nobody said so. `zone`: in which an
    export's clock times are written, if declared; `here`: the practice's. `typed_cells`: a workbook's, whose own dates
    and numbers come as ISO 8601 and with a point, whatever the practice's text files have.
    """

    column: str
    type: Type
    form: str | None = None
    decimal: str = "."
    unit: str | None = None
    zone: str | None = None
    here: str = "UTC"
    true: tuple[str, ...] = ()
    false: tuple[str, ...] = ()
    typed_cells: bool = False


def folded(cell: pl.Expr) -> pl.Expr:
    """A word as it is compared with others: case does not matter, nor do spaces around it and how many there are in it,
    or of which kind (no-break, of no width)."""
    return cell.str.to_lowercase().str.replace_all(_SPACES, " ").str.strip_chars()


def fold(word: str) -> str:
    """`folded`, for one word."""
    return str(pl.select(folded(pl.lit(word))).item())


def parse(text: pl.Series, how: Reading) -> pl.Series:
    """Text -> the column's type; null where it does not parse."""
    if how.type == "text":
        # A formula that failed is no text, though a workbook has something to show for it.
        return _of(text, pl.when(~pl.col("v").is_in([FAILED, NOT_COMPUTED])).then("v")) if how.typed_cells else text
    if how.type == "bool":
        return _booleans(text, how)
    if how.type == "date":
        return _dates(text, how)
    if how.type == "timestamp":
        return _timestamps(text, how)
    if how.unit in units.CLOCKS:
        # A workbook's time of day counts from the day before its first.
        cell = pl.col("v").str.replace(r"^1899-12-3[01] ", "") if how.typed_cells else pl.col("v")
        return _of(text, units.from_clock(cell, how.column, how.unit))
    number = _numbers(text, how)
    if how.type == "decimal":
        return number
    return _of(number, pl.when(pl.col("v") == pl.col("v").round()).then("v")).cast(pl.Int32, strict=False)


def reasons(failed: pl.Series, how: Reading) -> pl.Series:
    """What is wrong with each text that did not parse, as a sentence for the practice."""
    shown = pl.col("v").str.slice(0, 40)
    said = pl.format(f"{how.column}: {{}} is not {_expected(how)}.", shown)
    if how.type == "timestamp" and how.zone:
        on_the_clock = _four_digits(_naive(failed, how)).is_not_null()
        odd = f"{how.column}: {{}} is skipped or stands twice on the clock of {how.zone}."
        said = pl.when(on_the_clock).then(pl.format(odd, shown)).otherwise(said)
    elif how.type == "timestamp" and how.form in (None, ISO):
        with_offset = _with_offset(failed).is_not_null()
        zone = f"{how.column}: {{}} carries its offset from UTC, and no mapping declares a time_zone."
        said = pl.when(with_offset).then(pl.format(zone, shown)).otherwise(said)
    return _of(failed, said)


def readable_as(text: pl.Series, type_: Type) -> tuple[int, dict[str, int]]:
    """How many dates or times there are in `text`, and how many of them each usual format reads."""
    filled = text.drop_nulls()
    forms = DATE_FORMATS if type_ == "date" else [f"{day} {time}" for day in DATE_FORMATS for time in TIME_FORMATS]
    counts = {}
    for form in forms:
        if type_ == "date":
            found = filled.str.to_date(form, strict=False)
        else:
            found = filled.str.to_datetime(form, strict=False, time_unit="us").dt.date()
        counts[form] = int(found.dt.year().is_between(1900, 2100).sum() or 0)
    return len(filled), counts


def likely_formats(filled: int, counts: dict[str, int]) -> list[str]:
    """The usual formats in which most dates or times of a column can be read, though nobody declared one."""
    return [form for form, many in counts.items() if 2 * many > filled]


def _expected(how: Reading) -> str:
    expected = _EXPECTED[how.type]
    if how.type == "date":
        expected += f" written as {_ISO_DATE if how.form in (None, ISO) else how.form}"
    elif how.type == "timestamp":
        expected += f" written as {_ISO_TIMESTAMPS[0] if how.form in (None, ISO) else how.form}"
    elif how.unit in units.CLOCKS:
        expected = f"a time written as {how.unit}"
    elif how.type == "decimal":
        expected += f" with decimal {'point' if how.decimal == '.' else 'comma'}"
        if how.unit == "percent":
            expected += " in per cent (0, or 1 and more)"
        elif how.unit:
            expected += f" in {how.unit}"
    return expected


def _of(series: pl.Series, expression: pl.Expr) -> pl.Series:
    """An expression over column `v`, for one series."""
    # Polars 2.1 panics at a formatted text over a series of which one chunk is empty.
    return series.rechunk().to_frame("v").select(expression.alias("v"))["v"]


def _booleans(text: pl.Series, how: Reading) -> pl.Series:
    words = dict.fromkeys(("true", "yes", "1", *map(fold, how.true)), True)
    words |= dict.fromkeys(("false", "no", "0", *map(fold, how.false)), False)
    found = text.replace_strict(words, default=None, return_dtype=pl.Boolean)
    if found.null_count() == text.null_count():  # written as we write it
        return found
    return _of(text, folded(pl.col("v")).replace_strict(words, default=None, return_dtype=pl.Boolean))


def _numbers(text: pl.Series, how: Reading) -> pl.Series:
    number = _plain_numbers(text, how)
    if how.unit:
        number = _of(number, units.from_number(pl.col("v"), how.column, how.unit))
    if number.null_count() > text.null_count() and how.type == "decimal":
        number = number.fill_null(_with_sign(_of(text, pl.when(pl.lit(number).is_null()).then("v")), how))
    return number


def _plain_numbers(text: pl.Series, how: Reading) -> pl.Series:
    if how.decimal == ",":
        comma = pl.col("v").str.replace(",", ".", literal=True)
        # A point in a text file with decimal commas may be a thousands sign: not to be told, so it does not parse.
        # Where nothing but a nought stands before it, as in a taper of .06, it can be none.
        unclear = pl.col("v").str.contains(".", literal=True) & ~pl.col("v").str.contains(_BELOW_ONE)
        points = pl.lit(False) if how.typed_cells else unclear
        text = _of(text, pl.when(~points).then(comma))
    return _of(text.cast(pl.Float64, strict=False), pl.when(pl.col("v").is_finite()).then("v"))


def _with_sign(text: pl.Series, how: Reading) -> pl.Series:
    """Numbers that carry their unit: 4 % where the column is a taper, 20 mm where mm is what is declared."""
    unit, sign = how.unit, how.unit
    if units.quantity(how.column) == "taper" and unit in (None, "percent"):
        unit, sign = "percent", "%"
    if unit is None or sign is None:
        return pl.Series([None], dtype=pl.Float64).new_from_index(0, len(text))
    bare = pl.col("v").str.to_lowercase().str.strip_suffix(sign.lower())
    number = _plain_numbers(
        _of(text, pl.when(bare.str.len_chars() < pl.col("v").str.len_chars()).then(bare.str.strip_chars())), how
    )
    return _of(number, units.from_number(pl.col("v"), how.column, unit))


def _dates(text: pl.Series, how: Reading) -> pl.Series:
    if how.form and _TIME_OF_DAY.search(how.form):  # a moment in another zone may be on another day here
        return _timestamps(text, how).dt.date()
    found = text.str.to_date(_ISO_DATE if how.form in (None, ISO) else how.form, strict=False)
    if how.typed_cells:  # a workbook's day is its first moment
        found = found.fill_null(_iso_timestamps(text).dt.date())
        found = found.fill_null(text.str.to_date(_ISO_DATE, strict=False))
    return _four_digits(found)


def _four_digits(found: pl.Series) -> pl.Series:
    """The year 26 where four digits are declared is no year."""
    day = 1 if found.dtype == pl.Date else 24 * 60 * 60 * 1_000_000
    if (found.to_physical().min() or 0) >= _YEAR_1000 * day:  # type: ignore[operator]  # days or microseconds: numbers
        return found
    return _of(found, pl.when(pl.col("v").dt.year() >= 1000).then("v"))


def _timestamps(text: pl.Series, how: Reading) -> pl.Series:
    if how.form and "%z" in how.form:
        found = _here(text.str.to_datetime(how.form, strict=False, time_unit="us"), how)
        return found.fill_null(_in_zone(_iso_timestamps(text), how)) if how.typed_cells else found
    found = _in_zone(_naive(text, how), how)
    if how.zone and found.null_count() > text.null_count() and (how.typed_cells or how.form in (None, ISO)):
        found = found.fill_null(_here(_with_offset(text), how))
    return _four_digits(found)


def _naive(text: pl.Series, how: Reading) -> pl.Series:
    """Clock times as written."""
    if how.form in (None, ISO):
        return _iso_timestamps(text)
    found = text.str.to_datetime(how.form, strict=False, time_unit="us")
    return found.fill_null(_iso_timestamps(text)) if how.typed_cells else found


def _iso_timestamps(text: pl.Series) -> pl.Series:
    text = text.str.replace("T", " ", literal=True)
    found = text.str.to_datetime(_ISO_TIMESTAMPS[0], strict=False, time_unit="us")
    for shape in _ISO_TIMESTAMPS[1:]:
        if found.null_count() == text.null_count():
            break
        found = found.fill_null(text.str.to_datetime(shape, strict=False, time_unit="us"))
    return found


def _with_offset(text: pl.Series) -> pl.Series:
    """ISO 8601 texts that carry their offset from UTC, or Z, as moments; null where they do not."""
    text = _of(text, pl.col("v").str.replace("T", " ", literal=True).str.replace(r"[Zz]$", "+00:00"))
    text = _of(text, pl.when(pl.col("v").str.contains(_OFFSET)).then("v"))
    if text.null_count() == len(text):
        return pl.Series([None], dtype=pl.Datetime("us", "UTC")).new_from_index(0, len(text))
    moments = [text.str.to_datetime(f"{shape}%z", strict=False, time_unit="us") for shape in _ISO_TIMESTAMPS]
    return moments[0].fill_null(moments[1]).fill_null(moments[2])


def _in_zone(clock: pl.Series, how: Reading) -> pl.Series:
    """Clock times of the export's zone as those of the practice; null where its clock shows them twice or never."""
    if not how.zone:
        return clock
    return _here(clock.dt.replace_time_zone(how.zone, ambiguous="null", non_existent="null"), how)


def _here(moments: pl.Series, how: Reading) -> pl.Series:
    return moments.dt.convert_time_zone(how.here).dt.replace_time_zone(None)
