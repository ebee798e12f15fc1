"""Standards: each measure that the practice set one for, computed and held against it.

One row a standard: measure, standard, figure with its interval, verdict, and the change since the day from which the
standard counts. The figures are those of the measures themselves, of records since that day.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from pipeline.errors import UserError
from pipeline.measures.catalogue import Measure, find
from pipeline.measures.kinds._common import Answer, Ask, Row
from pipeline.stats import change

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

ONE_FIGURE = ("share", "checks", "rate", "time", "amount")  # kinds that without groups are a single figure
UNKNOWN = "cannot be told yet"


def rows_of_answers(connection: Connection, units: str, ask: Ask) -> list[Row]:
    """UserError for a standard of a measure that does not exist, or that is not one figure."""
    columns = ("measure", "target", "direction", "since", "note")
    found = connection.execute(f"select {', '.join(columns)} from {units} order by place").fetchall()
    return [_held(ask, dict(zip(columns, row, strict=True))) for row in found]


def verdict(low: float | None, high: float | None, target: float, direction: str) -> str:
    """`met`, `not met`, or `cannot be told yet` where the interval holds the standard or there is none."""
    if low is None or high is None:
        return UNKNOWN
    if direction == "at most":
        low, high, target = -high, -low, -target
    return "met" if low >= target else "not met" if high < target else UNKNOWN


def _held(ask: Ask, standard: Row) -> Row:
    measure = _one_figure(standard)
    since: dt.date | None = standard["since"]
    dated = since is not None and "happened_on" in measure.columns
    answer = ask(measure.name, start=since if dated else None)
    now = _figure(answer)
    before = _figure(ask(measure.name, end=since - dt.timedelta(days=1))) if since and dated else {}
    difference = _difference(now, before)
    return {
        "measure": measure.name,
        "title": measure.title,
        "unit": answer.unit,
        "direction": standard["direction"],
        "target": standard["target"],
        "since": since,
        "n": now.get("n"),
        "estimate": now.get("estimate"),
        "low": now.get("low"),
        "high": now.get("high"),
        "verdict": verdict(now.get("low"), now.get("high"), standard["target"], standard["direction"]),
        "n_before": before.get("n"),
        "before": before.get("estimate"),
        **difference,
        "trend": _trend(difference["change_low"], difference["change_high"], standard["direction"]),
        "lacking": now.get("lacking"),
        "note": standard["note"],
    }


def _one_figure(standard: Row) -> Measure:
    """The measure of a standard; UserError when there is none, or when it is not one figure, or out of its range."""
    where = "a standard in the settings"
    try:
        measure = find(standard["measure"])
    except UserError as e:
        raise UserError(e.what, where=where, do="`canalwise measures` lists them") from None
    if measure.kind not in ONE_FIGURE:
        raise UserError(f"{measure.name} is not one figure, so nothing can be held against it", where=where)
    if measure.unit.startswith("share") and not 0 <= standard["target"] <= 1:
        raise UserError(f"the target of {measure.name} is a share, from 0 to 1", where=where, do="Write 90 % as 0.9")
    return measure


def _figure(answer: Answer) -> Row:
    """The measure's one row, empty where nothing counts or the store lacks what it needs."""
    if answer.lacking:
        return {"lacking": ", ".join(answer.lacking)}
    row = dict(answer.rows[0]) if answer.rows else {}
    if row.get("too_few"):
        return {"lacking": "too few to report"}
    return row


def _difference(now: Row, before: Row) -> Row:
    names = ("estimate", "low", "high")
    figures: list[float] = [row[name] for row in (now, before) for name in names if row.get(name) is not None]
    if len(figures) < 6:
        return {"change": None, "change_low": None, "change_high": None}
    found = change.difference(*figures)
    return dict(zip(("change", "change_low", "change_high"), found, strict=True))


def _trend(low: float | None, high: float | None, direction: str) -> str | None:
    if low is None or high is None:
        return None
    if low <= 0 <= high:
        return "no change shown"
    return "better" if (low > 0) == (direction == "at least") else "worse"
