"""Competing events: cumulative incidence of each cause (Aalen-Johansen), a row a cause and time.

Units give `time` and `cause` (text; NULL where observation ended without an event). The measure's `order` lists the
causes, so that one without an event is a row with 0. Rows stand at the cause's own events, at the measure's horizons
and at the end of observation. `few_at_risk`: fewer than five are still observed; such a row has no figure. Limits allow
for patients (`cluster`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, at_risk, lives
from pipeline.stats.competing import aalen_johansen

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    frame = lives(connection, units, measure, by, "cast(cause as varchar)")
    number_of = {cause: number for number, cause in enumerate(measure.order, start=1)}
    out: list[Row] = []
    for group in frame.iter_rows(named=True):
        times = np.asarray(group["times"], dtype=float)
        causes = np.array([0 if cause is None else number_of[cause] for cause in group["ends"]])
        curves = aalen_johansen(times, causes, confidence, group["clusters"])
        for cause, number in number_of.items():
            head = {g: group[g] for g in by} | {"cause": cause, "n": times.size}
            when, events = np.unique(times[causes == number], return_counts=True)
            happened = dict(zip(when.tolist(), events.tolist(), strict=True))
            for time in sorted({0.0, *happened, *measure.horizons, float(times.max())}):
                at = curves.at(time, number)
                if at is not None:
                    out.append(head | {"time": time, "events": happened.get(time, 0)} | at_risk(at))
    return out
