"""Survival compared between groups: events seen and expected under equal hazards, and the log-rank test.

Units are those of a survival measure. A row a group; chi-square, its degrees of freedom and p are of all groups
together and stand in every row. Where patients (`cluster`) have several units the test is the robust one that allows
for it, and there is none where a group has fewer than ten `patients`. Without `by` the measure's `compare` says the
groups. `few_at_risk`: fewer than five of a group are still at risk at the time at which it would be shown: no figure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, at_risk, lives, number
from pipeline.stats import survival
from pipeline.stats.logrank import logrank

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


_NOBODY = dict.fromkeys(("at_risk", "few_at_risk", "estimate", "low", "high"))


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    compared = by or (measure.compare,)
    known = " and ".join(f'"{g}" is not null and cast("{g}" as varchar) <> \'mixed\'' for g in compared)
    groups = list(lives(connection, f"{units} where {known}", measure, compared).iter_rows(named=True))
    if not groups:
        return []
    times = np.concatenate([np.asarray(group["times"], dtype=float) for group in groups])
    events = np.concatenate([np.asarray(group["ends"], dtype=float) for group in groups])
    code = np.repeat(np.arange(len(groups)), [len(group["times"]) for group in groups])
    clusters = np.concatenate([np.asarray(group["clusters"], dtype=np.uint64) for group in groups])
    test = logrank(times, events, code, cluster=clusters)
    out: list[Row] = []
    for place, group in enumerate(groups):
        curve = survival.kaplan_meier(group["times"], group["ends"], confidence, cluster=group["clusters"])
        at = curve.at(measure.horizons[0]) if measure.horizons else None
        out.append(
            {g: group[g] for g in compared}
            | {
                "n": curve.n,
                "patients": test.clusters[place],
                "events": int(test.observed[place]),
                "expected": number(test.expected[place]),
                "time": measure.horizons[0] if measure.horizons else None,
                **(at_risk(at) if at else _NOBODY),
                "chi2": test.chi2,
                "df": test.df,
                "p_value": test.p,
            }
        )
    return out
