"""Reading a Parquet file as text. Its values are typed already: dates come as ISO 8601, numbers with a point."""

from __future__ import annotations

import io

import polars as pl

from pipeline.errors import UserError
from pipeline.sources.table import File, Lines, RawTable, cell_names

_MOST_CELLS = 300_000_000  # a file of a few kilobytes can hold billions of equal values


def read_parquet(path: File) -> RawTable:
    """All columns as text; rows are numbered from 1, as a Parquet file has no header row.

    Columns of lists and structures are left out: a list is no cell.
    """
    data = path.read_bytes()
    try:
        schema = pl.read_parquet_schema(io.BytesIO(data))
        plain = [name for name, type_ in schema.items() if not type_.is_nested()]
        cells = pl.scan_parquet(io.BytesIO(data)).select(pl.len()).collect().item() * len(plain)
        if cells > _MOST_CELLS:
            raise UserError(f"holds {cells:,} cells", where=str(path), do="Export fewer rows or columns at a time")
        frame = pl.read_parquet(io.BytesIO(data), columns=plain)
        header = tuple(frame.columns)
        frame = frame.select(_text(pl.col(name), type_).alias(name) for name, type_ in frame.schema.items())
    except UserError:
        raise
    except (Exception, pl.exceptions.PanicException) as e:  # Polars has no family of errors for damaged files
        reason = str(e).partition("\n")[0]
        raise UserError(
            f"is not a Parquet file of text and numbers ({reason})", where=str(path), do="Export it again"
        ) from None
    frame.columns = cell_names(frame.width)
    rows = frame.with_row_index("source_row", 1).with_columns(pl.col("source_row").cast(pl.Int64))
    return RawTable(header, rows, typed_cells=True, lines=Lines(rows.height, 0, 0, 0, rows.height, 0))


def _text(column: pl.Expr, type_: pl.DataType) -> pl.Expr:
    text: pl.Expr
    if type_ == pl.Boolean:
        text = pl.when(column).then(pl.lit("true")).when(column.not_()).then(pl.lit("false")).otherwise(None)
    elif isinstance(type_, pl.Datetime):
        # A moment with a zone is not a clock time of the practice: the zone stays in the text and does not parse.
        text = column.dt.to_string("%Y-%m-%d %H:%M:%S%.f%z" if type_.time_zone else "%Y-%m-%d %H:%M:%S%.f")
    elif isinstance(type_, pl.Duration):
        text = _clock(column)
    else:
        text = column.cast(pl.String)
    return text.fill_null("")


def _clock(length: pl.Expr) -> pl.Expr:
    """A length of time as hh:mm:ss, with a fraction if it has one."""
    micros = length.dt.total_microseconds()
    sign = pl.when(micros < 0).then(pl.lit("-")).otherwise(pl.lit(""))
    seconds = micros.abs() // 1_000_000
    parts = [(seconds // by % of).cast(pl.String).str.zfill(2) for by, of in ((3600, 1 << 40), (60, 60), (1, 60))]
    part = (micros.abs() % 1_000_000).cast(pl.String).str.zfill(6).str.strip_chars_end("0")
    return pl.format("{}{}:{}:{}{}", sign, *parts, pl.when(part != "").then("." + part).otherwise(pl.lit("")))
