"""From text cells to typed records: columns renamed, words translated, values parsed by the declared formats.

Nothing is guessed: a value that does not parse by its declared format is left empty, and is a fault of its record, with
the reason. Everything is Polars expressions over whole columns.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.errors import UserError
from pipeline.mapping.canals import short_name
from pipeline.mapping.model import FileOptions, KindMapping, SourceColumn
from pipeline.mapping.parse import POLARS_TYPE, Reading, fold, folded, likely_formats, parse, reasons
from pipeline.mapping.tooth import UnclearNotationError, tell_notation, to_fdi
from pipeline.mapping.udi import fill_from_udi
from pipeline.mapping.units import VARIABLE_TAPER, quantity
from pipeline.mapping.wide import FAULTS_SCHEMA, spread
from pipeline.records import KINDS, Column
from pipeline.sources.table import RawTable

__all__ = ["FAULTS_SCHEMA", "POLARS_TYPE", "Typed", "apply"]

_PLAIN = SourceColumn()


@dataclass(frozen=True)
class Typed:
    """Typed records and what did not parse.

    `records`: record_no, source_row, practice and every column of the kind, in order. `faults`: record_no, source_row,
    rule, reason, column. `per_row`: the most records that a row of this file makes; row r makes those of the numbers
    from (r - 1) * per_row + 1. `cells`: for each column how many cells of these records have something in them, counted
    before anything was parsed, with those made from device identifiers and templates.
    """

    records: pl.DataFrame
    faults: pl.DataFrame
    per_row: int = 1
    cells: dict[str, int] = field(default_factory=dict)


def apply(
    raw: RawTable,
    kind: str,
    mapping: KindMapping,
    options: FileOptions,
    practice: str,
    time_zone: str = "UTC",
    *,
    where: str | None = None,
) -> Typed:
    """Type the records of an export.

    `practice` is used where the export itself names none; `time_zone` is the practice's. UserError (which names
    `where`) when the file as a whole can be read in two ways and the mapping does not say which.
    """
    wide = spread(raw, kind, mapping)
    text = wide.text
    text = text.with_columns(pl.lit(word.strip() or None, pl.String).alias(c) for c, word in mapping.constants.items())
    text = _meant(text, kind, mapping, where)
    named = pl.col("practice").fill_null(practice) if "practice" in text.columns else pl.lit(practice)
    columns: list[pl.Expr] = [pl.col("record_no"), pl.col("source_row"), named.alias("practice")]
    faults = [wide.faults]
    for column in KINDS[kind].columns:
        if column.name not in text.columns:
            columns.append(pl.lit(None, POLARS_TYPE[column.type]).alias(column.name))
            continue
        how = _reading(column, mapping, options, time_zone, raw.typed_cells)
        cells = text[column.name]
        typed = parse(cells, how)
        columns.append(pl.lit(typed).alias(column.name))
        if typed.null_count() > cells.null_count():
            _refuse_unclear(cells, typed, kind, how, where)
            failed = text.select("record_no", "source_row", column.name).filter(typed.is_null() & cells.is_not_null())
            faults.append(_unparsed(failed, how))
    records = typed_cells = text.select(columns)
    if kind == "instruments" and "udi" in text.columns:
        records = fill_from_udi(records)
    records = _from_templates(records, mapping)
    found = pl.concat(faults)
    if mapping.split and found.height:
        kept, found = _whole_rows(records, found, kind, mapping)
        if kept.height < records.height:
            text, typed_cells, records = (
                frame.join(kept, on="record_no", how="semi", maintain_order="left")
                for frame in (text, typed_cells, records)
            )
    return Typed(records, found, wide.per_row, _cells(kind, text, typed_cells, records))


def _meant(text: pl.DataFrame, kind: str, mapping: KindMapping, where: str | None) -> pl.DataFrame:
    """Words and notations translated; what an unknown word means is not guessed, it stays."""
    changed = []
    for column, how in mapping.columns.items():
        if column not in text.columns:
            continue
        cell = as_it_is = pl.col(column)
        if how.default is not None:  # an empty cell is read as if this stood in it
            cell = cell.fill_null(how.default.strip() or None)
        if how.values:
            words = {fold(word): meaning for word, meaning in how.values.items()}
            translated = folded(cell).replace_strict(words, default=None, return_dtype=pl.String)
            # A word may mean that nothing was filled in.
            cell = pl.coalesce(translated, cell)
            cell = pl.when(cell != "").then(cell)
        if how.synonyms:
            cell = short_name(cell)
        if quantity(column) == "taper":
            cell = pl.when(~folded(cell).is_in(VARIABLE_TAPER)).then(cell)
        if column == "tooth":
            notation = how.notation or _told(text.select(cell)["tooth"], kind, where)
            if notation != "fdi":
                # A number of another notation must not pass for an FDI code: what it has not becomes no number.
                cell = to_fdi(cell, notation, otherwise=pl.format(f"{{}} (no {notation} tooth)", cell))
        if cell is not as_it_is:
            changed.append(cell.alias(column))
    return text.with_columns(changed)


def _told(teeth: pl.Series, kind: str, where: str | None) -> str:
    try:
        return tell_notation(teeth)
    except UnclearNotationError as e:
        do = 'Declare it in the mapping: tooth = { from = "...", notation = "fdi" } or "universal"'
        raise UserError(f"{kind}.tooth: {e}", where=where, do=do) from None


def _reading(column: Column, mapping: KindMapping, options: FileOptions, here: str, typed_cells: bool) -> Reading:
    own = mapping.columns.get(column.name, _PLAIN)
    return Reading(
        column.name,
        column.type,
        form=own.format or (options.date if column.type == "date" else options.timestamp),
        decimal=own.decimal or options.decimal,
        unit=own.unit,
        zone=options.time_zone,
        here=here,
        true=options.true,
        false=options.false,
        typed_cells=typed_cells,
    )


def _refuse_unclear(cells: pl.Series, typed: pl.Series, kind: str, how: Reading, where: str | None) -> None:
    """Refuse a file whose dates are all written in another way than ISO 8601, with no word of which."""
    if how.type not in ("date", "timestamp") or how.form is not None or typed.null_count() < len(typed):
        return
    likely = likely_formats(cells, how.type)
    if likely:
        what = f"{kind}.{how.column}: the mapping does not say how it is written; most of it reads as "
        what += " and as ".join(likely)
        do = f'Declare it: {how.type} = "{likely[0]}" in [file], or format = "..." of the column'
        raise UserError(what, where=where, do=do)


def _unparsed(failed: pl.DataFrame, how: Reading) -> pl.DataFrame:
    return failed.select(
        "record_no",
        "source_row",
        rule=pl.lit("value_does_not_parse"),
        reason=pl.lit(reasons(failed[how.column], how)),
        column=pl.lit(how.column),
    )


def _from_templates(records: pl.DataFrame, mapping: KindMapping) -> pl.DataFrame:
    """Columns made from others of the record; empty where a part is."""
    made = {column: how for column, how in mapping.columns.items() if how.template is not None}
    texts = {
        pl.Date: "%Y-%m-%d",
        pl.Datetime: "%Y-%m-%d %H:%M:%S",
    }

    def part(name: str) -> pl.Expr:
        form = texts.get(type(records.schema[name]))
        return pl.col(name).dt.strftime(form) if form else pl.col(name).cast(pl.String)

    return records.with_columns(
        pl.format(_literal(how), *(part(name) for name in how.parts)).alias(column) for column, how in made.items()
    )


def _literal(how: SourceColumn) -> str:
    text = how.template or ""
    for part in how.parts:
        text = text.replace(f"{{{part}}}", "{}", 1)
    return text


def _cells(kind: str, text: pl.DataFrame, typed: pl.DataFrame, records: pl.DataFrame) -> dict[str, int]:
    """How many cells of each column were read (`text`), or made afterwards of what was `typed`."""
    return {
        column: (text[column].count() if column in text.columns else 0)
        + records[column].count()
        - typed[column].count()
        for column in KINDS[kind].names
    }


def _whole_rows(
    records: pl.DataFrame, faults: pl.DataFrame, kind: str, mapping: KindMapping
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A piece without what is required spoils its row: what the other pieces of that cell are worth cannot be told."""
    assert mapping.split is not None
    needed = [column for column in mapping.split.columns if column in KINDS[kind].required]
    spoilt = faults.filter(pl.col("rule") == "value_does_not_parse", pl.col("column").is_in(needed))
    kept = spoilt.group_by("source_row").agg(pl.col("record_no").min().alias("_kept"))
    if not kept.height:
        return records, faults
    records, faults = (
        frame.join(kept, on="source_row", how="left", maintain_order="left")
        .filter(pl.col("_kept").is_null() | (pl.col("record_no") == pl.col("_kept")))
        .drop("_kept")
        for frame in (records, faults)
    )
    return records, faults
