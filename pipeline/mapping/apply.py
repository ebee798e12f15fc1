"""From text cells to typed records: columns renamed, words translated, values parsed by the declared formats.

Nothing is guessed: a value that does not parse by its declared format is a fault of its row, with the reason, and the
row goes to quarantine. Everything is Polars expressions over whole columns.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.mapping.model import FileOptions, KindMapping
from pipeline.mapping.tooth import NOTATIONS
from pipeline.sources.table import RawTable
from pipeline.store.records import KINDS, Type

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

_ISO_TIMESTAMPS = ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S%.f")
FAULTS_SCHEMA = {"record_no": pl.Int64, "source_row": pl.Int64, "rule": pl.String, "reason": pl.String, "column": pl.String}


@dataclass(frozen=True)
class Typed:
    """Typed records and what did not parse.

    `records`: record_no, source_row, practice and every column of the kind, in order. `faults`: record_no, source_row,
    rule, reason, column. `per_row`: the most records that a row of this file makes; row r makes those of the numbers
    from (r - 1) * per_row + 1.
    """

    records: pl.DataFrame
    faults: pl.DataFrame
    per_row: int = 1


def apply(raw: RawTable, kind: str, mapping: KindMapping, options: FileOptions, practice: str) -> Typed:
    """Type the rows of an export. `practice` is used where the export itself names none."""
    cell = {name: f"c{raw.header.index(name)}" for name in mapping.sources}
    text = raw.rows.select(
        pl.col("source_row").alias("record_no"),
        "source_row",
        *(_text(column, cell, mapping).alias(column) for column in (*mapping.columns, *mapping.constants)),
    )
    columns = [pl.col("record_no"), pl.col("source_row")]
    columns.append(
        (pl.col("practice").fill_null(practice) if "practice" in text.columns else pl.lit(practice)).alias("practice")
    )
    faults = [pl.DataFrame(schema=FAULTS_SCHEMA)]
    for column in KINDS[kind].columns:
        if column.name not in text.columns:
            columns.append(pl.lit(None, POLARS_TYPE[column.type]).alias(column.name))
            continue
        typed = _parse(text[column.name], column.type, options, raw.typed_cells)
        columns.append(pl.lit(typed).alias(column.name))
        if typed.null_count() > text[column.name].null_count():
            failed = text.select("record_no", "source_row", column.name).filter(typed.is_null() & text[column.name].is_not_null())
            faults.append(_unparsed(failed, column.name, column.type, options))
    return Typed(text.select(columns), pl.concat(faults))


def _text(column: str, cell: dict[str, str], mapping: KindMapping) -> pl.Expr:
    """The cleaned text of a canonical column: trimmed, empty is null, words and notations translated."""
    if column in mapping.constants:
        return pl.lit(mapping.constants[column].strip() or None, pl.String)
    source = mapping.columns[column]
    text = pl.col(cell[source.source]).str.strip_chars().replace("", None)
    if source.values:
        words = {word.lower(): meaning for word, meaning in source.values.items()}
        # A word that the list does not know stays as it is and is judged like any other value.
        translated = text.str.to_lowercase().replace_strict(words, default=None, return_dtype=pl.String)
        text = pl.coalesce(translated, text)
        text = pl.when(text != "").then(text)  # a word may mean that nothing was filled in
    if source.notation in NOTATIONS:
        # A number of another notation must not pass for an FDI code: what is not in the table becomes no number at all.
        numbers = NOTATIONS[source.notation]
        unknown = pl.format("{} (no {} tooth)", text, pl.lit(source.notation))
        text = pl.when(text.is_not_null()).then(
            text.str.to_uppercase().replace_strict(numbers, default=unknown, return_dtype=pl.String)
        )
    return text


def _parse(text: pl.Series, type_: Type, options: FileOptions, typed_cells: bool) -> pl.Series:
    """Text -> type; null where it does not parse."""
    if type_ == "text":
        return text
    if type_ == "bool":
        return _booleans(text, options)
    if type_ == "date":
        found = text.str.to_date(options.date, strict=False)
        if typed_cells:  # a workbook's day is its first moment
            found = found.fill_null(_timestamps(text, None).dt.date())
            found = found.fill_null(text.str.to_date("%Y-%m-%d", strict=False))
        return found
    if type_ == "timestamp":
        found = _timestamps(text, options.timestamp)
        return found.fill_null(_timestamps(text, None)) if typed_cells else found
    if options.decimal == ",":
        comma = pl.col("v").str.replace(",", ".", literal=True)
        # A point in a text file with decimal commas may be a thousands sign: not to be told, so it does not parse.
        points = pl.lit(False) if typed_cells else pl.col("v").str.contains(".", literal=True)
        text = text.to_frame("v").select(pl.when(~points).then(comma))["v"]
    number = text.cast(pl.Float64, strict=False)
    number = number.to_frame("v").select(pl.when(pl.col("v").is_finite()).then("v"))["v"]
    if type_ == "decimal":
        return number
    whole = number.to_frame("v").select(pl.when(pl.col("v") == pl.col("v").round()).then("v"))["v"]
    return whole.cast(pl.Int32, strict=False)


def _booleans(text: pl.Series, options: FileOptions) -> pl.Series:
    words = dict.fromkeys(("true", "yes", "1", *(w.lower() for w in options.true)), True)
    words |= dict.fromkeys(("false", "no", "0", *(w.lower() for w in options.false)), False)
    return text.str.to_lowercase().replace_strict(words, default=None, return_dtype=pl.Boolean)


def _timestamps(text: pl.Series, declared: str | None) -> pl.Series:
    if declared:
        return text.str.to_datetime(declared, strict=False, time_unit="us")
    text = text.str.replace("T", " ", literal=True)
    found = text.str.to_datetime(_ISO_TIMESTAMPS[0], strict=False, time_unit="us")
    for shape in _ISO_TIMESTAMPS[1:]:
        if found.null_count() == text.null_count():
            break
        found = found.fill_null(text.str.to_datetime(shape, strict=False, time_unit="us"))
    return found


def _unparsed(failed: pl.DataFrame, column: str, type_: Type, options: FileOptions) -> pl.DataFrame:
    expected = _EXPECTED[type_]
    if type_ == "date":
        expected += f" written as {options.date}"
    elif type_ == "timestamp":
        expected += f" written as {options.timestamp or _ISO_TIMESTAMPS[0]}"
    elif type_ in ("int", "decimal"):
        expected += f" with decimal {'point' if options.decimal == '.' else 'comma'}" if type_ == "decimal" else ""
    return failed.select(
        "record_no",
        "source_row",
        rule=pl.lit("value_does_not_parse"),
        reason=pl.lit(f"{column}: ") + pl.col(column).str.slice(0, 40) + f" is not {expected}.",
        column=pl.lit(column),
    )
