"""Funnels: each lot or dentist against the rate of all, with limits that follow its size. Never a league table.

Limits (95 and 99.8 %) are exact binomial ones about the pooled rate, in whole events: where hardly one event is
expected, smoothed limits would flag every unit that has two. With ten units or more, variation between them beyond
chance widens the limits (additive, Spiegelhalter 2005): of both limits the one further out counts. `position` says
where a unit lies; one unit in twenty lies outside 95 % by design, and one alone has no other to compare with. The
interval of each allows for patients (`cluster`), the limits do not. `compare` of the measure names what a unit is.
"""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, clustered, number
from pipeline.stats import funnel, proportions, rates

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

ALONE = "no other to compare with"  # the position of the only one
LIMITS = ("limit_low_998", "limit_low_95", "limit_high_95", "limit_high_998")


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    of = measure.compare
    groups = tuple(g for g in by if g != of)
    frame = clustered(connection, units, measure, (*groups, of), "numerator")
    out: list[Row] = []
    for _, found in groupby(frame, lambda row: [row[g] for g in groups]):
        out += _funnel(list(found), (*groups, of), measure, confidence)
    return out


def _funnel(found: list[Row], names: tuple[str, ...], measure: Measure, confidence: float) -> list[Row]:
    """One funnel: rows of units with n and their total of events, in the order in which they came."""
    n, events, m, yy, yn, nn = (
        np.array([row[k] for row in found]) for k in ("n", "total", "clusters", "yy", "yn", "nn")
    )
    # More events than uses cannot be told by a share; no use ends in more than one but for faulty records.
    within = np.minimum(events, n)
    spread = funnel.overdispersion(within, n)
    target = spread.target or 0.0
    limits = funnel.binomial_steps(target, n)
    tau2 = spread.tau2 if spread.usable and spread.tau2 else 0.0
    if tau2:
        wider = funnel.additive_limits(target, n, tau2)
        limits = np.hstack([np.minimum(limits, wider)[:, :2], np.maximum(limits, wider)[:, 2:]])
    # A share ends at 1; Garwood's upper limit of a rate would lie beyond.
    low, high = (
        proportions.clustered_wilson(within, n, m, yy, yn, nn, confidence)
        if measure.unit == "share"
        else rates.clustered_garwood(events, n, n, m, yy, yn, nn, confidence)
    )
    scale = measure.scale
    rate = events / n
    return [
        {name: row[name] for name in names}
        | {
            "n": int(n[i]),
            "events": int(events[i]),
            "estimate": float(rate[i] * scale),
            "low": number(low[i] * scale),
            "high": number(high[i] * scale),
            "target": target * scale,
        }
        | {name: float(limit * scale) for name, limit in zip(LIMITS, limits[i], strict=True)}
        | {
            "position": position(rate[i], limits[i]) if len(found) > 1 else ALONE,
            "units": len(found),
            "overdispersion_allowed_for": bool(tau2),
        }
        for i, row in enumerate(found)
    ]


def position(rate: float, limits: Any) -> str:
    """Where a figure lies among its four limits, the lowest first."""
    low_998, low_95, high_95, high_998 = limits
    if rate > high_998:
        return "above the 99.8 % limit"
    if rate > high_95:
        return "above the 95 % limit"
    if rate < low_998:
        return "below the 99.8 % limit"
    return "below the 95 % limit" if rate < low_95 else "inside"
