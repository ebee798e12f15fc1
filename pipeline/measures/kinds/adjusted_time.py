"""Adjusted times: ratio of each group's geometric mean time to the largest group's, crude and after case mix.

Columns of units: `value` (minutes), `canals` (a number), `cluster`, and the measure's `strata`, which are the case mix
together with `canals`; what is compared leaves it. What is not recorded is a level of its own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.errors import UserError
from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, fetch
from pipeline.stats.log_time import NOT_ESTIMABLE, adjusted_ratios

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    if len(by) > 1:
        raise UserError(
            f"{measure.name} compares one thing at a time", do=f"Give --by one group, e.g. {measure.compare}"
        )
    compared = by[0] if by else measure.compare
    mix = [s for s in measure.strata if s != compared]
    frame = fetch(
        connection,
        f"""select cast("{compared}" as varchar) as g, {"".join(f'cast("{s}" as varchar) as "{s}", ' for s in mix)}
                cast(canals as double) as canals, hash(coalesce(cast(cluster as varchar), 'unit ' || rowid)) as cluster,
                cast(value as double) as value
            from {units} order by rowid""",
        (),
    )
    if frame.is_empty():
        return []
    sizes = frame.group_by("g").agg(pl.len(), pl.col("value").median(), pl.col("cluster").n_unique())
    # What is not recorded is no reference, however much of it there is.
    sizes = sizes.sort(pl.col("g").is_null(), "len", "g", descending=[False, True, False])
    names = sizes["g"].to_list()
    codes = _codes(frame["g"], names)
    found = adjusted_ratios(
        frame["value"].to_numpy(),
        codes,
        0,
        [_codes(frame[s], frame[s].unique().sort().to_list()) for s in mix],  # in one order: sums round alike each time
        [frame["canals"].to_numpy()],
        frame["cluster"].to_numpy(),
        confidence,
    )
    out = []
    for place, (name, n, median, patients) in enumerate(sizes.iter_rows()):
        if place == 0:
            continue
        crude, adjusted = found.crude.get(place, NOT_ESTIMABLE), found.adjusted.get(place, NOT_ESTIMABLE)
        out.append(
            {
                compared: name,
                "reference": names[0],
                "n": n,
                "n_reference": sizes["len"][0],
                "patients": patients,
                "median": median,
                "median_reference": sizes["value"][0],
                "crude_ratio": crude.ratio,
                "crude_low": crude.low,
                "crude_high": crude.high,
                "estimate": adjusted.ratio,
                "low": adjusted.low,
                "high": adjusted.high,
            }
        )
    return out


def _codes(values: pl.Series, levels: list[str | None]) -> np.ndarray:
    """Whole numbers for values, in the order of the levels; one of them may be None."""
    return values.replace_strict(levels, list(range(len(levels))), return_dtype=pl.Int64).to_numpy()
