"""What an import asks of a source before it reads its rows."""

from __future__ import annotations

from pipeline.sources.read import open_source
from pipeline.sources.table import Dialect, File, Knows


def header(file: File, dialect: Dialect, sheet: str | None = None, knows: Knows | None = None) -> tuple[str, ...]:
    return open_source(file).table(dialect, sheet, knows).header
