"""What is said of lines of a file that are no records."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.sources.table import Aside


def aside(lines: Sequence[Aside]) -> list[str]:
    """What is said of the lines of a file that are no records: how many, where, why; not what stands in them."""
    said = []
    for reason in dict.fromkeys(line.reason for line in lines):
        rows = [line.source_row for line in lines if line.reason == reason]
        shown = ", ".join(map(str, rows[:8])) + (f" and {len(rows) - 8} more" if len(rows) > 8 else "")
        said.append(f"not a record: line{'s' if len(rows) > 1 else ''} {shown}. {reason}")
    return said
