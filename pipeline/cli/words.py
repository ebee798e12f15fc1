"""Words and short heads that several commands share."""

from __future__ import annotations

from typing import Any

# Of the counts of an import: what they are called where the table is too wide, and which columns can be spared.
_SHORT = {"unchanged": "same", "superseded": "replaced", "quarantined": "refused", "blanked": "left empty"}
IMPORTED: dict[str, Any] = {"short": _SHORT, "spare": ("file_hash", "mapping_hash", "aside", "misread", "kind")}


def refused_and_empty(rows: int, cells: int) -> str:
    """3 rows were refused, 14 cells left empty"""
    said = [f"{rows:,} row{' was' if rows == 1 else 's were'} refused"] if rows else []
    verb = "" if rows else " was" if cells == 1 else " were"
    said += [f"{cells:,} cell{'' if cells == 1 else 's'}{verb} left empty"] if cells else []
    return ", ".join(said)
