"""Rows that hold several records: a column for each canal, several uses of instruments in one cell.

Gives the cells of each record as text, under the names of our columns. A row without any canal or use is one record
with a fault, as is a row in whose cell a piece cannot be told: it goes to quarantine, and nothing of it is lost.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

from pipeline.mapping.model import TIMES, Each, KindMapping, Split, place
from pipeline.records import KINDS
from pipeline.sources.table import RawTable

FAULTS_SCHEMA = {
    "record_no": pl.Int64,
    "source_row": pl.Int64,
    "rule": pl.String,
    "reason": pl.String,
    "column": pl.String,
}
_MIDNIGHT = r"^(\d{4}-\d\d-\d\d) 00:00:00$"
_DAY_NOUGHT = r"^1899-12-3[01] "


@dataclass(frozen=True)
class Spread:
    """`text`: record_no, source_row and one text column for each of our columns that comes from cells; `faults` as in
    apply.Typed; `per_row`: the most records that one row makes."""

    text: pl.DataFrame
    faults: pl.DataFrame
    per_row: int


def spread(raw: RawTable, kind: str, mapping: KindMapping) -> Spread:
    """The records of an export's rows, each with its own cells."""
    cells = _Cells(raw, kind, mapping)
    none = pl.DataFrame(schema=FAULTS_SCHEMA)
    if mapping.each is None and mapping.split is None:
        text = raw.rows.select(pl.col("source_row").alias("record_no"), "source_row", *cells.of_record(None))
        return Spread(text, none, 1)
    if mapping.each is None:
        text = raw.rows.select(
            "source_row", cells.of_split(None), *cells.of_record(None), _item=pl.lit(0), _any=pl.lit(True)
        )
    else:
        text = _each(raw, mapping.each, cells)
    faults = [none]
    if mapping.split is None:
        per_row = len(mapping.each.words) if mapping.each else 1
        text = text.with_columns(_nth="_item")
    else:
        text = _split(text, kind, mapping.split, mapping.each)
        last = text["_nth"].max()
        per_row = 1 + last if isinstance(last, int) else 1
    text = text.with_columns(record_no=(pl.col("source_row") - 1) * per_row + 1 + pl.col("_nth"))
    if mapping.each:
        faults.append(_no_record(text.filter(~pl.col("_any")), mapping.each))
    if mapping.split:
        faults += _piece_faults(text, mapping.split)
    names = [name for name in text.columns if not name.startswith("_") and name not in ("record_no", "source_row")]
    return Spread(text.select("record_no", "source_row", *names), pl.concat(faults), per_row)


class _Cells:
    """The cells of our columns as expressions over the rows of an export."""

    def __init__(self, raw: RawTable, kind: str, mapping: KindMapping) -> None:
        self.header, self.kind, self.mapping, self.typed_cells = raw.header, kind, mapping, raw.typed_cells

    def of_record(self, word: str | None) -> list[pl.Expr]:
        return [self._joined(name, word).alias(name) for name, how in self.mapping.columns.items() if how.sources]

    def of_split(self, word: str | None) -> pl.Expr:
        split = self.mapping.split
        return (self._cell(split.source, word) if split else pl.lit(None, pl.String)).alias("_pieces")

    def own_filled(self, word: str) -> pl.Expr:
        """Whether any column is filled that belongs to this canal alone."""
        each, split = self.mapping.each, self.mapping.split
        assert each is not None
        names = [name for how in self.mapping.columns.values() for name in how.sources] + (
            [split.source] if split else []
        )
        return pl.any_horizontal(
            self._cell(name, word).is_not_null() for name in dict.fromkeys(names) if each.has_own(name)
        )

    def _cell(self, name: str, word: str | None) -> pl.Expr:
        if self.mapping.each and word is not None:
            name = self.mapping.each.source(name, word)
        at = place(self.header, name)
        assert at is not None, f"{name} is not in the header"  # recognise() has seen to it
        return pl.col(f"c{at}").str.strip_chars().replace("", None)

    def _joined(self, column: str, word: str | None) -> pl.Expr:
        how = self.mapping.columns[column]
        cells = [self._cell(name, word) for name in how.sources]
        return joined(cells, how.join, self.typed_cells, only_whole=self._only_whole(column))

    def _only_whole(self, column: str) -> bool:
        """A day without its time is no moment, and a surname alone no patient: such a column is empty then."""
        of_kind = {column.name: column.type for column in KINDS[self.kind].columns}
        return column.endswith("_id") or of_kind.get(column) in ("date", "timestamp")


def joined(cells: list[pl.Expr], join: str, typed_cells: bool, *, only_whole: bool) -> pl.Expr:
    """Several cells of a row as one text; NULL where one of them is empty and `only_whole`."""
    if len(cells) == 1:
        return cells[0]
    if typed_cells:  # a workbook's day is its first moment, and its time of day one of a day nought
        cells = [cell.str.replace(_MIDNIGHT, "$1").str.replace(_DAY_NOUGHT, "") for cell in cells]
    if only_whole:
        return pl.concat_str(cells, separator=join)
    return pl.concat_str(cells, separator=join, ignore_nulls=True).replace("", None)


def _each(raw: RawTable, each: Each, cells: _Cells) -> pl.DataFrame:
    """One record for each canal of which anything is filled in; of a row without any, one that says so."""
    filled = {word: cells.own_filled(word) for word in each.words.values()}
    records = [
        raw.rows.filter(filled[word]).select(
            "source_row",
            cells.of_split(word),
            *cells.of_record(word),
            pl.lit(value).alias(each.column),
            _item=pl.lit(item),
            _any=pl.lit(True),
        )
        for item, (value, word) in enumerate(each.words.items())
    ]
    first = next(iter(each.words.values()))
    records.append(
        raw.rows.filter(~pl.any_horizontal(filled.values())).select(
            "source_row",
            cells.of_split(first),
            *cells.of_record(first),
            pl.lit(None, pl.String).alias(each.column),
            _item=pl.lit(0),
            _any=pl.lit(False),
        )
    )
    return pl.concat(records).sort("source_row", "_item")


def _split(text: pl.DataFrame, kind: str, split: Split, each: Each | None) -> pl.DataFrame:
    """One record for each use in a cell. `_unfit` is a piece that does not fit; such a row keeps its first record."""
    shape = _shape(kind, split)
    pieces = (
        text.with_columns(pl.col("_pieces").str.split(split.separator).list.eval(pl.element().str.strip_chars()))
        .with_columns(pl.col("_pieces").list.eval(pl.element().filter(pl.element() != "")))
        .explode("_pieces", empty_as_null=True, keep_nulls=True)
        .with_columns(pl.col("_pieces").str.extract_groups(shape).alias("_told"))
        .unnest("_told")
    )
    fits = pl.any_horizontal(pl.col(name).is_not_null() for name in split.columns)
    pieces = pieces.with_columns(_unfit=pl.when(pl.col("_pieces").is_not_null() & ~fits).then("_pieces"))
    many = pl.col(TIMES).cast(pl.Int64).fill_null(1) if f"{{{TIMES}}}" in split.pattern else pl.lit(1, pl.Int64)
    pieces = pieces.with_columns(_uses=pl.int_ranges(0, many)).explode("_uses")
    # A row that cannot be told as a whole is one record with no piece at all, and says which piece it was.
    pieces = pieces.with_columns(
        _unfit=pl.col("_unfit").drop_nulls().first().over("source_row"),
        _nth=pl.int_range(pl.len()).over("source_row"),
    ).filter(pl.col("_unfit").is_null() | (pl.col("_nth") == 0))
    told = pl.col("_unfit").is_null()
    pieces = pieces.with_columns(pl.when(told).then(name).alias(name) for name in split.columns)
    if "step" not in pieces.columns:
        step = pl.int_range(1, pl.len() + 1).over("source_row", "_item").cast(pl.String)
        pieces = pieces.with_columns(step=pl.when(told & pl.col("_pieces").is_not_null()).then(step))
    return pieces.drop(TIMES, strict=False)


def _shape(kind: str, split: Split) -> str:
    """The regular expression of a piece: blanks and capitals do not count; the number of equal uses may be missing."""
    columns = {column.name: column.type for column in KINDS[kind].columns}
    tokens = re.split(r"(\{\w+\})", split.pattern.strip())
    parts = []
    for token in tokens:
        name = token[1:-1]
        if not token.startswith("{"):
            literal = r"\s*".join(re.escape(word) for word in token.split())
            literal = re.sub("[xX×]", "[x×]", literal)
            parts.append(rf"\s*{literal}\s*" if literal else r"\s+" if token else "")
        elif name == TIMES:
            parts.append(rf"(?P<{TIMES}>[1-9]\d?)")
        elif columns.get(name) in ("int", "decimal"):
            parts.append(rf"(?P<{name}>(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:\s*%)?)")
        else:
            parts.append(rf"(?P<{name}>\S(?:.*?\S)?)")
    times = tokens.index(f"{{{TIMES}}}") if f"{{{TIMES}}}" in tokens else None
    if times is not None:
        # With its own sign, "x2" or "2x": the text before it, or after it where it stands first.
        first, last = (times - 1, times) if times > 1 else (times, times + 1)
        parts[first : last + 1] = ["(?:" + "".join(parts[first : last + 1]) + ")?"]
    return "(?i)^" + "".join(parts) + "$"


def _no_record(rows: pl.DataFrame, each: Each) -> pl.DataFrame:
    column = each.column
    reason = f"No {column} of this row has anything filled in ({', '.join(each.words)})."
    return _faults(rows, f"no_{column}_filled_in", pl.lit(reason), column)


def _piece_faults(text: pl.DataFrame, split: Split) -> list[pl.DataFrame]:
    unfit = text.filter(pl.col("_unfit").is_not_null())
    shown = pl.col("_unfit").str.slice(0, 40)
    reason = pl.format(f"{{}} is not written as {split.pattern.replace('{', '{{').replace('}', '}}')}.", shown)
    empty = text.filter(pl.col("_any") & pl.col("_unfit").is_null() & pl.col("_pieces").is_null())
    nothing = pl.lit("The cell that names the instruments is empty.")
    column = split.columns[0]
    return [_faults(unfit, "piece_does_not_fit", reason, column), _faults(empty, "no_piece_filled_in", nothing, column)]


def _faults(rows: pl.DataFrame, rule: str, reason: pl.Expr, column: str) -> pl.DataFrame:
    return rows.select("record_no", "source_row", rule=pl.lit(rule), reason=reason, column=pl.lit(column))
