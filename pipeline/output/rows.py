"""Rows of figures as a file: CSV, XLSX, JSON or Parquet, by the ending of its name."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.errors import UserError
from pipeline.output.private import write_for_user
from pipeline.output.sheets import Looks, fill, new_book, sheet_name
from pipeline.output.text import columns_of, csv_text

Rows = Sequence[Mapping[str, Any]]
FORMATS = (".csv", ".parquet", ".xlsx", ".json")


def check_format(out: Path, formats: Sequence[str] = FORMATS) -> None:
    """Refuse a name whose ending tells no format, or a folder that is not there, before anything is computed."""
    if out.suffix.lower() not in formats:
        endings = f"{', '.join(formats[:-1])} or {formats[-1]}"
        raise UserError("cannot tell the format from this name", where=str(out), do=f"End it in {endings}")
    if not out.parent.is_dir():
        raise UserError("the folder does not exist", where=str(out.parent), do="Make it first")


def write_rows(rows: Rows, out: Path, *, title: str, whole: Any = None) -> None:
    """Write rows to `out`, readable by the owner only; `title` names the sheet of a workbook.

    JSON has `whole` instead, where there is more to say than rows.
    """
    check_format(out)
    write_for_user(out, _bytes(rows, out.suffix.lower(), title, rows if whole is None else whole))


def _bytes(rows: Rows, ending: str, title: str, whole: Any) -> bytes:
    if ending == ".json":
        return (json.dumps(whole, default=str, ensure_ascii=False, allow_nan=False) + "\n").encode()
    columns, written = columns_of(rows) or ["n"], io.BytesIO()
    if ending == ".csv":
        return csv_text(columns, ([row.get(c) for c in columns] for row in rows)).encode()
    if ending == ".parquet":
        import polars as pl

        frame = {name: [row.get(name) for row in rows] for name in columns}
        pl.DataFrame(frame, infer_schema_length=None, strict=False).write_parquet(written)
    else:
        with new_book(written) as book:
            fill(book.add_worksheet(sheet_name(title, set())), columns, rows, Looks(book))
    return written.getvalue()
