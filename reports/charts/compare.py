"""Crude against adjusted: the same difference twice, as it stands and among like cases, around the line of none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts.dots import Group, Mark, dots

Bounded = tuple[float | None, float | None, float | None]  # estimate, low, high


@dataclass(frozen=True)
class Difference:
    """A group against the reference: both differences in percentage points; their texts."""

    label: str
    crude: Bounded
    crude_text: str
    adjusted: Bounded
    adjusted_text: str


def compare(differences: Sequence[Difference], width: int, *, axis: str) -> Any:
    """The chart; `axis` names what is compared, and which side means what."""
    groups = [
        Group(d.label, (Mark(*d.crude, d.crude_text, 0), Mark(*d.adjusted, d.adjusted_text, 1))) for d in differences
    ]
    return dots(groups, width, axis=axis, series=("Crude", "Adjusted"), reference=0.0, zero=True)
