"""Learning: the median time of a dentist's first cases with a sequence, ten by ten, over that of the later plateau.

Columns of units: `value` (minutes), `cases` (which ten, or the name of the plateau), `first_case` (the first number of
these, NULL in the plateau), `cluster`. Rows are always by dentist and sequence: nobody is compared with another.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, cluster_list, fetch
from pipeline.stats.log_time import median_ratio

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    heads = tuple(dict.fromkeys((*by, "dentist", "sequence")))
    heads = tuple(g for g in heads if g != "cases")
    columns = "".join(f'"{g}", ' for g in heads)
    frame = fetch(
        connection,
        f"""select {columns} cases, first_case, list(cast(value as double) order by rowid) as minutes,
                {cluster_list(measure)} as clusters
            from {units} group by {columns} cases, first_case order by first_case nulls first""",
        (),
    )
    plateaus = {
        tuple(row[g] for g in heads): (row["minutes"], row["clusters"])
        for row in frame.iter_rows(named=True)
        if row["first_case"] is None
    }
    out: list[tuple[tuple[str, ...], Row]] = []
    for row in frame.iter_rows(named=True):
        if row["first_case"] is None:
            continue
        head = tuple(row[g] for g in heads)
        later, patients = plateaus.get(head, ([], []))
        found = median_ratio(row["minutes"], later, confidence, (row["clusters"], patients))
        figures = {
            "cases": row["cases"],
            "n": len(row["minutes"]),
            "n_reference": len(later),
            "estimate": found.ratio,
            "low": found.low,
            "high": found.high,
            "median": float(np.median(row["minutes"])),
            "plateau_median": float(np.median(later)) if later else None,
        }
        out.append(((*map(str, head), f"{row['first_case']:05d}"), dict(zip(heads, head, strict=True)) | figures))
    return [row for _, row in sorted(out, key=lambda pair: pair[0])]
