"""Competing events: cumulative incidence of each cause (Aalen-Johansen), a row a cause and time.

Units give `time` and `cause` (text; NULL where observation ended without an event). The measure's `order` lists the
causes, so that one without an event is a row with 0. Rows stand at the cause's own events, at the measure's horizons
and at the end of observation. `few_at_risk`: fewer than five are still observed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, at_risk, lives
from pipeline.stats import survival

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    frame = lives(connection, units, by, "cast(cause as varchar)")
    number_of = {cause: number for number, cause in enumerate(measure.order, start=1)}
    out: list[Row] = []
    for group in frame.iter_rows(named=True):
        times = np.asarray(group["times"], dtype=float)
        causes = np.array([0 if cause is None else number_of[cause] for cause in group["ends"]])
        curves = survival.aalen_johansen(times, causes, confidence)
        for cause, number in number_of.items():
            head = {g: group[g] for g in by} | {"cause": cause, "n": times.size}
            when, events = np.unique(times[causes == number], return_counts=True)
            happened = dict(zip(when.tolist(), events.tolist(), strict=True))
            for time in sorted({0.0, *happened, *measure.horizons, float(times.max())}):
                row = _at(curves, number, time)
                if row is not None:
                    out.append(head | {"time": time, "events": happened.get(time, 0)} | row)
    return out


def _at(curves: survival.CumulativeIncidence, cause: int, time: float) -> Row | None:
    """The incidence of a cause just after a time; a cause that nobody had is 0 as long as anybody is observed."""
    if cause in curves.incidence:
        at = curves.at(time, cause)
        return None if at is None else {**at_risk(at.at_risk), "estimate": at.estimate, "low": at.low, "high": at.high}
    if time > curves.times[-1]:
        return None
    left = int(curves.at_risk[int(np.searchsorted(curves.times, time, side="left"))])
    return {**at_risk(left), "estimate": 0.0, "low": None, "high": None}
