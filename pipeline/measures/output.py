"""Writing a computed measure to a file: CSV, Parquet, XLSX or JSON, by the ending of the name."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import UserError

if TYPE_CHECKING:
    import polars as pl

    from pipeline.measures.run import Result

FORMATS = (".csv", ".parquet", ".xlsx", ".json")


def check_format(out: Path) -> None:
    """Refuse a name whose ending tells no format, before anything is computed."""
    if out.suffix.lower() not in FORMATS:
        raise UserError("cannot tell the format from this name", where=str(out), do=f"End it in {', '.join(FORMATS)}")
    if not out.parent.is_dir():
        raise UserError("the folder does not exist", where=str(out.parent), do="Make it first")


def write(result: Result, out: Path) -> None:
    """Write the rows of a result (as JSON the whole result), readable by the owner only."""
    check_format(out)
    try:
        os.close(os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600))
        ending = out.suffix.lower()
        if ending == ".json":
            out.write_text(
                json.dumps(result.as_json(), default=str, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8"
            )
        elif ending == ".csv":
            harmless(_frame(result)).write_csv(out)
        elif ending == ".parquet":
            _frame(result).write_parquet(out)
        else:
            harmless(_frame(result)).write_excel(out, worksheet=result.measure[:31])
    except OSError as e:
        raise UserError(f"cannot be written ({e.strerror})", where=str(out)) from None


def _frame(result: Result) -> pl.DataFrame:
    import polars as pl

    columns = list(dict.fromkeys(key for row in result.rows for key in row))
    return pl.DataFrame(
        {name: [row.get(name) for row in result.rows] for name in columns or ("n",)},
        infer_schema_length=None,
        strict=False,
    )


def harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """Text that a spreadsheet would take for a formula gets an apostrophe in front (CWE-1236)."""
    import polars as pl

    text = pl.col(pl.String)
    return frame.with_columns(
        pl.when(text.str.contains(r"^[=+\-@\t\r]")).then(pl.lit("'") + text).otherwise(text).name.keep()
    )
