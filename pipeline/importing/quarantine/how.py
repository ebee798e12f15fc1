"""How the file of a refused row was read: the mapping that a batch keeps, as objects again."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache

from pipeline.mapping.model import FileOptions, KindMapping


@dataclass(frozen=True)
class How:
    """A table of a mapping, the options of its files, and whether these were workbooks (`sheet`: which sheet)."""

    table: KindMapping
    options: FileOptions
    typed_cells: bool
    sheet: str | None

    @property
    def rows_above(self) -> int:
        """Rows that must stand above the last row of a header for it to be found."""
        return max((self.options.header_row or 1) - 1, 0) + self.options.header_rows - 1


@cache
def as_read(text: str) -> How:
    """From the JSON that ingest.py keeps with a batch."""
    kept = json.loads(text)
    return How(
        KindMapping.model_validate(kept["kind"]),
        FileOptions.model_validate(kept["file"]),
        bool(kept["typed_cells"]),
        kept.get("sheet"),
    )
