"""Weighted shares: those seen weighted so that they stand for all, by the inverse of their chance of being seen.

Units give `seen` (1 or 0), `numerator` (1 or 0, counted where seen), the characteristics that the measure's `strata`
name, and maybe `cluster`. The model of being seen is fitted anew in each group. A characteristic that is not recorded
is a value of its own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, fetch, grouped
from pipeline.stats.weighting import weighted_share

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    columns, group_by = grouped(by)
    known = [s for s in measure.strata if s not in by]
    lists = "".join(
        f', list(coalesce(cast("{s}" as varchar), \'not recorded\') order by rowid) as "of {s}"' for s in known
    )
    frame = fetch(
        connection,
        f"""select {columns} list(seen order by rowid) as seen,
                list(coalesce(numerator, 0) order by rowid) as events,
                list(coalesce(cast(cluster as varchar), 'unit ' || cast(rowid as varchar)) order by rowid) as clusters
                {lists}
            from {units} {group_by}""",
        by,
    )
    out: list[Row] = []
    for group in frame.iter_rows(named=True):
        found = weighted_share(
            group["seen"],
            group["events"],
            [np.array(group[f"of {s}"]) for s in known],
            np.array(group["clusters"]),
            confidence,
        )
        out.append(
            {g: group[g] for g in by}
            | {
                "n": found.n_seen,
                "not_seen": found.n - found.n_seen,
                "estimate": found.estimate,
                "low": found.low,
                "high": found.high,
                "unweighted": found.unweighted,
                "largest_weight": found.largest_weight,
                "not_represented": found.not_represented,
            }
        )
    return out
