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
from pipeline.mapping.parse import POLARS_TYPE, Reading, fold, folded, likely_formats, parse, readable_as, reasons
from pipeline.mapping.tooth import UnclearNotationError, tell_notation, to_fdi
from pipeline.mapping.udi import fill_from_udi
from pipeline.mapping.units import VARIABLE_TAPER, quantity
from pipeline.mapping.wide import FAULTS_SCHEMA, spread
from pipeline.records import KINDS, Column
from pipeline.sources.table import RawTable

__all__ = ["FAULTS_SCHEMA", "POLARS_TYPE", "Typed", "Whole", "apply", "by_pieces"]

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


@dataclass
class Whole:
    """What only all rows of a file tell, gathered while it is read piece by piece.

    That is the notation of its teeth, and whether its dates can be read at all.

    `notation` is what teeth are read by meanwhile: the one that the first teeth tell, unless it is given.
    """

    kind: str
    where: str | None = None
    notation: str | None = None
    _given: bool = field(init=False)
    _teeth: pl.Series = field(init=False, default_factory=lambda: pl.Series([], dtype=pl.String))
    _used: set[str] = field(init=False, default_factory=set)
    # Of columns without a word of how their dates are written: how many, how many each usual format reads; None as soon
    # as some of them can be read.
    _unread: dict[str, tuple[Reading, int, dict[str, int]] | None] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._given = self.notation is not None

    def told(self, teeth: pl.Series) -> str:
        """The notation to read these teeth by."""
        if not self._given:
            self._teeth = pl.concat([self._teeth, teeth.drop_nulls().unique()]).unique()
        if self.notation is None:
            try:
                notation = tell_notation(self._teeth)
            except UnclearNotationError:
                notation = "fdi"  # as long as no other tooth tells
            else:
                self.notation = notation if len(self._teeth) else None
        else:
            notation = self.notation
        self._used.add(notation)
        return notation

    def dates(self, cells: pl.Series, typed: pl.Series, how: Reading) -> None:
        """Take note of a column's cells, and what became of them."""
        before = self._unread.get(how.column, (how, 0, {}))
        if how.type not in ("date", "timestamp") or how.form is not None or before is None:
            return
        if typed.null_count() < len(typed):
            self._unread[how.column] = None
        elif cells.null_count() < len(cells):
            filled, counts = readable_as(cells, how.type)
            self._unread[how.column] = (
                how,
                before[1] + filled,
                {form: before[2].get(form, 0) + many for form, many in counts.items()},
            )

    def settle(self) -> Whole | None:
        """Asked after the last piece: None if all were read as the whole tells, else by what they are to be read again.

        UserError when the file can be read in two ways and the mapping does not say which.
        """
        notation = None
        if self._used and not self._given:
            notation = _told(self._teeth, self.kind, self.where)
        for column in KINDS[self.kind].columns:
            unread = self._unread.get(column.name)
            likely = likely_formats(*unread[1:]) if unread else []
            if unread and likely:
                what = f"{self.kind}.{column.name}: the mapping does not say how it is written; most of it reads as "
                what += " and as ".join(likely)
                do = f'Declare it: {column.type} = "{likely[0]}" in [file], or format = "..." of the column'
                raise UserError(what, where=self.where, do=do)
        if notation is None or self._used == {notation}:
            return None
        return Whole(self.kind, self.where, notation)


def apply(
    raw: RawTable,
    kind: str,
    mapping: KindMapping,
    options: FileOptions,
    practice: str,
    time_zone: str = "UTC",
    *,
    where: str | None = None,
    whole: Whole | None = None,
) -> Typed:
    """Type the records of an export.

    `practice` is used where the export itself names none; `time_zone` is the practice's. UserError (which names
    `where`) when the file as a whole can be read in two ways and the mapping does not say which.

    Where `raw` is but a piece of a file, `whole` takes note of what only all pieces tell, and is to be settled after
    the last. See `by_pieces`.
    """
    if whole is None:
        whole = Whole(kind, where)
        records_of_all = apply(raw, kind, mapping, options, practice, time_zone, whole=whole)
        if whole.settle():
            raise AssertionError("all rows at once were read otherwise than they tell")
        return records_of_all
    wide = spread(raw, kind, mapping)
    text = wide.text
    text = text.with_columns(pl.lit(word.strip() or None, pl.String).alias(c) for c, word in mapping.constants.items())
    text = _meant(text, mapping, whole)
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
        whole.dates(cells, typed, how)
        if typed.null_count() > cells.null_count():
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


def by_pieces(mapping: KindMapping) -> bool:
    """Whether the rows of a file can be read piece by piece: each is one record, whose number no other row decides."""
    return mapping.each is None and mapping.split is None


def _meant(text: pl.DataFrame, mapping: KindMapping, whole: Whole) -> pl.DataFrame:
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
            notation = how.notation or whole.told(text.select(cell)["tooth"])
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
