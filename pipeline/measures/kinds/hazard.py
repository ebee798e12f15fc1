"""Hazards by use number: of the instruments that reached a use, the share whose event came in it. Wilson limits.

`smooth` is the hazard of a Weibull life in whole uses, where ten or more events make it (its `weibull_shape` above 1
says that the hazard rises). `uses_within_limit`: how many uses there are before the first at which even the lower
bound is above the practice's own limit (column `hazard_limit` of the units); None where none is, or no limit was set.
`few_at_risk`: fewer than five instruments reached the use: such a row has no figure and counts for no limit.
Instruments are taken as independent, though those of one lot or in one dentist's hands may fail alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import FEW_AT_RISK, Row, at_risk, lives, number
from pipeline.stats import discrete_weibull, survival
from pipeline.stats.survival import SurvivalAt

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    frame = lives(connection, units, measure, by, more=", max(hazard_limit) as hazard_limit")
    out: list[Row] = []
    for group in frame.iter_rows(named=True):
        found = survival.discrete_hazard(group["times"], group["ends"], confidence)
        smooth = discrete_weibull.discrete_weibull(group["times"], group["ends"])
        if smooth is not None and smooth.tentative:
            smooth = None
        curve = np.full(found.uses.size, np.nan) if smooth is None else smooth.hazard(found.uses)
        limit = group["hazard_limit"]
        enough = found.at_risk >= FEW_AT_RISK
        beyond = np.flatnonzero(enough & (found.low > limit)) if limit is not None else np.empty(0, dtype=int)
        head = {g: group[g] for g in by} | {"n": len(group["times"])}
        tail = {
            "weibull_shape": None if smooth is None else smooth.shape,
            "limit": limit,
            "uses_within_limit": int(found.uses[beyond[0]]) - 1 if beyond.size else None,
        }
        out += [
            head
            | {
                "time": int(use),
                "events": int(events),
                **at_risk(SurvivalAt(float(use), float(hazard), number(low), number(high), int(reached))),
                "smooth": number(at),
            }
            | tail
            for use, reached, events, hazard, low, high, at in zip(
                found.uses, found.at_risk, found.events, found.hazard, found.low, found.high, curve, strict=True
            )
        ]
    return out
