"""Which formats are read, by the ending of a file's name."""

from __future__ import annotations

from typing import Protocol

TEXT = (".csv", ".tsv", ".txt")
WORKBOOK = (".xlsx", ".xlsm", ".ods")
PARQUET = (".parquet",)
JSON = (".json", ".jsonl", ".ndjson")


class _Named(Protocol):
    @property
    def suffix(self) -> str: ...


def is_text(file: _Named) -> bool:
    """Delimited text, as is everything whose name says nothing else."""
    return file.suffix.lower() not in WORKBOOK + PARQUET + JSON
