"""Survival: Kaplan-Meier with log-log limits that allow for patients, a row a time.

Units give `time`, `event` and maybe `cluster`. Where a unit is watched for several kinds of event up to different days
it has a row of each, which its `watched_for` names, and `unit` says which unit it is: each kind has a risk set of its
own (pipeline.stats.risk_sets), `at_risk` is the smallest of them.

`few_at_risk`: fewer than five are still at risk, so that one event would move the curve by a fifth or more. Such a row
tells how many, and no figure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, at_risk, lives
from pipeline.stats import risk_sets, survival

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    several = "watched_for" in measure.columns
    more = ", list(watched_for order by rowid) as kinds, list(hash(unit) order by rowid) as units" if several else ""
    out: list[Row] = []
    for group in lives(connection, units, measure, by, more=more).iter_rows(named=True):
        curve = _several(group, measure, confidence) if several else _one(group, confidence)
        head = {g: group[g] for g in by} | {"n": curve.n}
        events = dict(zip(curve.times.tolist(), curve.events.tolist(), strict=True))
        # Besides event times: the start, the times that reports ask for, and the end, beyond which nothing is known.
        for time in sorted({0.0, *events, *measure.horizons, curve.last or 0.0}):
            at = curve.at(time)
            if at is not None:
                out.append(head | {"time": time, "events": events.get(time, 0)} | at_risk(at))
    return out


def _one(group: Row, confidence: float) -> survival.KaplanMeier:
    return survival.kaplan_meier(group["times"], group["ends"], confidence, cluster=group["clusters"])


def _several(group: Row, measure: Measure, confidence: float) -> risk_sets.EventFree:
    kinds = [measure.order.index(kind) for kind in group["kinds"]]
    every = range(len(measure.order))
    units = np.array(group["units"], dtype=np.uint64)
    return risk_sets.event_free(group["times"], group["ends"], kinds, every, units, confidence, group["clusters"])
