"""Refused rows: listing them, and handing them to the person who mends them."""

from __future__ import annotations

import csv
import json
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import UserError
from pipeline.store.records import KINDS

if TYPE_CHECKING:
    import duckdb


_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?")


def refused(connection: duckdb.DuckDBPyConnection, kind: str | None, rule: str | None) -> list[dict[str, Any]]:
    """Refused rows by file and row: file, row, kind, rules, reason, record (the mapped cells as JSON)."""
    if kind is not None and kind not in KINDS:
        raise UserError(f"there is no record kind {kind}; the kinds are {', '.join(KINDS)}")
    if rule is not None:
        known = [
            r for (r,) in connection.execute("select distinct unnest(rules) from quarantine order by 1").fetchall()
        ]
        if rule not in known:
            raise UserError(
                f"no row was refused by the rule {rule}", do=f"Rules with refused rows: {', '.join(known) or 'none'}"
            )
    rows = connection.execute(
        """select source_file, source_row, kind, rules, reasons, columns, record from quarantine
           where ($kind is null or kind = $kind) and ($rule is null or list_contains(rules, $rule))
           order by source_file, batch_id, source_row""",
        {"kind": kind, "rule": rule},
    ).fetchall()
    return [
        {
            "file": file,
            "row": row,
            "kind": k,
            "rules": rules,
            "reason": " ".join(reasons),
            "columns": columns,
            "record": record,
        }
        for file, row, k, rules, reasons, columns, record in rows
    ]


def export(rows: list[dict[str, Any]], out: Path) -> None:
    """Write refused rows to a CSV file: where, why, then the cells under the headers of their export.

    Mended there, it can be imported as it is: what we add stands under headers that no export has. A text that a
    spreadsheet would take for a formula gets an apostrophe in front (CWE-1236).
    """
    if out.suffix.lower() != ".csv":
        raise UserError("only .csv files can be written", where=str(out), do="Give --out a name that ends in .csv")
    records = [_cells(row["record"]) for row in rows]
    cells = list(dict.fromkeys(name for record in records for name in record))
    try:
        descriptor = os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    except OSError as e:
        raise UserError(f"cannot be written ({e.strerror})", where=str(out)) from None
    with os.fdopen(descriptor, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*(f"refused: {name}" for name in ("file", "row", "kind", "reason")), *map(_harmless, cells)])
        for row, record in zip(rows, records, strict=True):
            fixed = [row["file"], row["row"], row["kind"], row["reason"]]
            writer.writerow([_harmless(value) for value in (*fixed, *(record.get(name, "") for name in cells))])


def _cells(record: str) -> dict[str, str]:
    """The cells of a refused row; one that could not be told into cells is a single text."""
    try:
        found = json.loads(record)
    except json.JSONDecodeError:
        found = None
    return found if isinstance(found, dict) else {"raw text": record}


def _harmless(value: object) -> object:
    risky = isinstance(value, str) and value.startswith(_FORMULA) and not _NUMBER.fullmatch(value)
    return f"'{value}" if risky else value
