"""The stock of instruments, a line a size: what lies there, how long it lasts, what the next months will need."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.measures.run import Result

Row = dict[str, Any]


_HORIZONS = (30, 60, 90)
# What a line is headed in a narrow terminal, and which columns can be spared there, the first first.
SHORT = {f"next_{days}_days": f"{days} days" for days in _HORIZONS} | {"days_left": "days left", "in_stock": "in stock"}
SPARE = ("months", "used", "next_60_days", "next_90_days")


def lines(result: Result) -> list[Row]:
    """A computed stock_forecast for people: a line a group, not one a horizon; the soonest to run out first.

    Limits stand behind their figure: 8 (3\u201314).
    """
    found: dict[tuple[Any, ...], Row] = {}
    left: dict[tuple[Any, ...], float | None] = {}
    for row in result.rows:
        key = tuple(row[g] for g in result.by)
        if key not in found:
            left[key] = row["days_left"]
            found[key] = dict(zip(result.by, key, strict=True)) | {
                "used": row["used"],
                "months": row["months"],
                "in_stock": row["in_stock"],
                "days_left": _days(row),
            }
        found[key][f"next_{row['time']}_days"] = _with_limits(row["estimate"], row["low"], row["high"])
    return sorted(found.values(), key=lambda line: _soonest(left[tuple(line[g] for g in result.by)]))


def _soonest(days: float | None) -> tuple[bool, float]:
    return days is None, days or 0


def _days(row: Row) -> str | None:
    if row["in_stock"] is None:
        return None
    if row["days_left_low"] is None:
        return "over 3 years"
    if row["days_left_high"] is None:
        return f"{row['days_left_low']} or more"
    return _with_limits(row["days_left"], row["days_left_low"], row["days_left_high"])


def _with_limits(figure: float | None, low: float, high: float) -> str:
    return "too few" if figure is None else f"{figure:.0f} ({low:.0f}\u2013{high:.0f})"
