"""Factors: what is seen more often in canals with an incident than in canals without, within strata.

`extras` of the measure name the factors: words -> column (1 present, 0 absent, null not told). For every factor, and
for any incident and separations apart: how many times as often canals with the factor had an incident as canals without
(Mantel-Haenszel ratio of shares within the measure's strata), and in which share of canals the factor is known at all.
Associations: a factor is "seen more often", it is never said to have caused anything. Where many factors are looked at
one is bound to differ by chance, so `seen` goes by p-values adjusted over them (Benjamini-Hochberg).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row
from pipeline.stats import power, risk_ratio, stratified

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

OUTCOMES = {"any": "any_incident", "separation": "separation"}


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    groups = "".join(f'"{g}", ' for g in by)
    strata = "".join(f'"{s}", ' for s in measure.strata if s not in by)
    width = len(by)
    out: list[Row] = []
    for incident, event in OUTCOMES.items():
        for words, column in measure.extras.items():
            counted = connection.execute(
                f"""select {groups} {strata} cast({column} as integer) as present,
                        cast(sum({event}) as double) as events, cast(count(*) as double) as n
                    from {units} group by all order by all"""
            ).fetchall()
            cells: dict[tuple[Any, ...], list[tuple[Any, ...]]] = {}
            for line in counted:
                cells.setdefault(line[:width], []).append(line[width:])
            for group, lines in cells.items():
                head = dict(zip(by, group, strict=True)) | {"incident": incident, "factor": words}
                out.append(head | _factor(lines, confidence))
    _say(out, by, confidence)
    return sorted(out, key=lambda row: [str(row[g]) for g in by]) if by else out


def _factor(lines: list[tuple[Any, ...]], confidence: float) -> Row:
    """One factor in one group, from lines of (stratum ..., present, events, n)."""
    found: dict[tuple[Any, ...], list[list[float]]] = {}
    unknown = total = 0.0
    for *stratum, present, events, n in lines:
        total += n
        if present is None:
            unknown += n
            continue
        table = found.setdefault(tuple(stratum), [[0.0, 0.0], [0.0, 0.0]])
        table[0 if present else 1] = [events, n - events]
    tables = np.array(list(found.values())).reshape(-1, 2, 2)
    ratio = risk_ratio.mantel_haenszel_ratio(tables, confidence)
    with_factor, without = tables[:, 0].sum(axis=0), tables[:, 1].sum(axis=0)
    # A factor that no record tells of is not one with too few canals: it has none, and says why.
    told = unknown < total
    return {
        "n": int(with_factor.sum()) if told else None,
        "events": int(with_factor[0]) if told else None,
        "n_reference": int(without.sum()) if told else None,
        "events_reference": int(without[0]) if told else None,
        "estimate": ratio.ratio,
        "low": ratio.low,
        "high": ratio.high,
        "recorded_share": (total - unknown) / total,
        "not_recorded": int(unknown),
        "strata": ratio.strata_used,
        "p_value": stratified.mantel_haenszel(tables, confidence).p,
        "p_adjusted": None,
        "seen": "cannot be told" if told else "not recorded",
    }


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
            shown = "seen more often" if more else "seen less often"
            # Said only where test and interval agree: a reader sees both.
            apart = row["low"] is None or not row["low"] <= 1 <= row["high"]
            row["seen"] = shown if p < 1 - confidence and apart else "no difference shown"
