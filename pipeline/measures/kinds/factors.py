"""Factors: what is seen more often in canals with an incident than in canals without, within strata.

`extras` of the measure name the factors: words -> column (1 present, 0 absent, null not told). For every factor, and
for any incident and separations apart: how many times as often canals with the factor had an incident as canals without
(Mantel-Haenszel ratio of shares within the measure's strata, with limits and a p-value that allow for patients,
`cluster`), and in which share of canals the factor is known at all. With an incident on one side alone only one limit
can be given. Associations: a factor is "seen more often", it is never said to have caused anything. Where many factors
are looked at one is bound to differ by chance, so `seen` goes by p-values adjusted over them (Benjamini-Hochberg).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, own_cluster
from pipeline.stats import power, risk_ratio
from pipeline.store.frames import frame as frame_of

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    Connection = duckdb.DuckDBPyConnection

OUTCOMES = {"any": "any_incident", "separation": "separation"}


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    strata = [s for s in measure.strata if s not in by]
    keys = "".join(f'"{g}", ' for g in (*by, *strata))
    found: dict[tuple[str, str], list[tuple[tuple[Any, ...], Row]]] = {}
    for words, column in measure.extras.items():
        counted = frame_of(
            connection,
            f"""select {keys} hash({own_cluster(measure)}) as c, cast({column} as integer) as present,
                    {"".join(f"cast(sum({event}) as bigint) as {name}, " for name, event in OUTCOMES.items())}
                    count(*) as n
                from {units} group by all order by all""",
        )
        parts = counted.partition_by(list(by), maintain_order=True) if by else [counted]
        for part in parts:
            if part.height:
                group = tuple(part[g][0] for g in by)
                for incident in OUTCOMES:
                    row = _factor(part, strata, incident, confidence)
                    found.setdefault((incident, words), []).append((group, row))
    out = [
        dict(zip(by, group, strict=True)) | {"incident": incident, "factor": words} | row
        for incident in OUTCOMES
        for words in measure.extras
        for group, row in found.get((incident, words), [])
    ]
    _say(out, by, confidence)
    return sorted(out, key=lambda row: [str(row[g]) for g in by]) if by else out


def _factor(counted: pl.DataFrame, strata: list[str], incident: str, confidence: float) -> Row:
    """One factor in one group, from a row a stratum, patient and whether the factor was present: events of n."""
    total = int(counted["n"].sum())
    known = counted.filter(counted["present"].is_not_null())
    present, events, n = (known[c].to_numpy() for c in ("present", incident, "n"))
    stratum = _codes(known.select(strata)) if strata else np.zeros(known.height, dtype=np.int64)
    ratio = risk_ratio.clustered_ratio(stratum, present != 0, known["c"].to_numpy(), events, n, confidence)
    unknown = total - int(n.sum())
    # A factor that no record tells of is not one with too few canals: it has none, and says why.
    recorded = unknown < total
    return {
        "n": int(n[present != 0].sum()) if recorded else None,
        "events": int(events[present != 0].sum()) if recorded else None,
        "n_reference": int(n[present == 0].sum()) if recorded else None,
        "events_reference": int(events[present == 0].sum()) if recorded else None,
        "estimate": ratio.ratio,
        "low": ratio.low,
        "high": ratio.high,
        "recorded_share": (total - unknown) / total,
        "not_recorded": unknown,
        "strata": ratio.strata_used,
        "design_effect": ratio.design_effect if recorded else None,
        "p_value": ratio.p,
        "p_adjusted": None,
        "seen": "cannot be told" if recorded else "not recorded",
    }


def _codes(strata: pl.DataFrame) -> npt.NDArray[np.int64]:
    """A number from 0 for each stratum that there is."""
    levels: dict[tuple[Any, ...], int] = {}
    return np.array([levels.setdefault(row, len(levels)) for row in strata.iter_rows()], dtype=np.int64)


def _say(out: list[Row], by: tuple[str, ...], confidence: float) -> None:
    """Adjust p-values over the factors of each group and outcome, and put in words what they allow to be said."""
    families: dict[tuple[Any, ...], list[Row]] = {}
    for row in out:
        if row["p_value"] is not None:
            families.setdefault((*(row[g] for g in by), row["incident"]), []).append(row)
    for family in families.values():
        adjusted = power.benjamini_hochberg([row["p_value"] for row in family])
        for row, p in zip(family, adjusted, strict=True):
            row["p_adjusted"] = float(p)
            more = row["estimate"] is None or row["estimate"] > 1
            if p < 1 - confidence:
                row["seen"] = "seen more often" if more else "seen less often"
            elif row["p_value"] < 1 - confidence:
                # Its own interval leaves 1 out: a reader who sees that is told why nothing is said of it.
                row["seen"] = f"not after allowing for the {len(family)} factors looked at"
            else:
                row["seen"] = "no difference shown"
