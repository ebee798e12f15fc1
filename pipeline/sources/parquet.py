"""Reading a Parquet file as text. Its values are typed already: dates come as ISO 8601, numbers with a point."""

from __future__ import annotations

import io

import polars as pl

from pipeline.errors import UserError
from pipeline.sources.table import File, RawTable, cell_names


def read_parquet(path: File) -> RawTable:
    """All columns as text; rows are numbered from 1, as a Parquet file has no header row."""
    try:
        frame = pl.read_parquet(io.BytesIO(path.read_bytes()))
    except OSError as e:
        raise UserError(f"the file cannot be read ({e.strerror or e})", where=str(path), do="Check the path") from None
    except pl.exceptions.PolarsError as e:
        reason = str(e).partition("\n")[0]
        raise UserError(f"is not a Parquet file ({reason})", where=str(path), do="Export it again") from None
    nested = [name for name, type_ in frame.schema.items() if type_.is_nested()]
    frame = frame.drop(nested)  # a list or a structure is no cell
    header = tuple(frame.columns)
    frame = frame.select(_text(pl.col(name), type_).alias(name) for name, type_ in frame.schema.items())
    frame.columns = cell_names(frame.width)
    rows = frame.with_row_index("source_row", 1).with_columns(pl.col("source_row").cast(pl.Int64))
    return RawTable(header, rows, typed_cells=True)


def _text(column: pl.Expr, type_: pl.DataType) -> pl.Expr:
    text: pl.Expr
    if type_ == pl.Boolean:
        text = pl.when(column).then(pl.lit("true")).when(column.not_()).then(pl.lit("false")).otherwise(None)
    elif isinstance(type_, pl.Datetime):
        # A moment with a zone is not a clock time of the practice: the zone stays in the text and does not parse.
        text = column.dt.to_string("%Y-%m-%d %H:%M:%S%.f%z" if type_.time_zone else "%Y-%m-%d %H:%M:%S%.f")
    else:
        text = column.cast(pl.String)
    return text.fill_null("")
