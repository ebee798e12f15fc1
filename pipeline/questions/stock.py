"""The stock of instruments, a line a size: what lies there, how long it lasts, what the next months will need."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.measures.run import Result

Row = dict[str, Any]


def lines(result: Result) -> list[Row]:
    """A computed stock_forecast for people: a line a group, not one a horizon; the soonest to run out first."""
    found: dict[tuple[Any, ...], Row] = {}
    for row in result.rows:
        key = tuple(row[g] for g in result.by)
        if key not in found:
            found[key] = dict(zip(result.by, key, strict=True)) | {
                "used": row["used"],
                "months": row["months"],
                "in stock": row["in_stock"],
                "days left": row["days_left"],
                "may last": _days(row),
            }
        found[key][f"next {row['time']} days"] = _limits(row)
    return sorted(found.values(), key=lambda line: (line["days left"] is None, line["days left"]))


def _days(row: Row) -> str | None:
    if row["in_stock"] is None:
        return None
    if row["days_left_low"] is None:
        return "more than 3 years"
    if row["days_left_high"] is None:
        return f"{row['days_left_low']} days or more"
    return f"{row['days_left_low']} to {row['days_left_high']} days"


def _limits(row: Row) -> str:
    if row["estimate"] is None:
        return "too few"
    return f"{row['estimate']:.0f} ({row['low']:.0f} to {row['high']:.0f})"
