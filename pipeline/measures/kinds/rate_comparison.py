"""Rates compared, each pair of groups, among like units: Mantel-Haenszel or exact where events are few, by cluster too.

`extras` of the measure name what is recorded beside what is allowed for: words -> column; `recorded` and `not_recorded`
list them (recorded: of half of the pair's units or more). Limits are the wider of those that take events as independent
and those that take events of one cluster as alike; the p-value is the larger. The same within the units of each dentist
stands beside it (`dentist_...`), unless dentists are what is compared.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row, number, own_cluster
from pipeline.stats import power, rates, stratified_rates
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    Connection = duckdb.DuckDBPyConnection

FEW_EVENTS = 10  # clusters with an event on a side below which inference is exact; common practice, no source
PER = 1000  # units of exposure that the rates of the two sides are told for
RECORDED = 0.5  # share of the pair's units from which on a column counts as recorded; common practice, no source


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    compared = by[0]
    counted = _units(connection, units, measure, compared)
    size: dict[str, float] = dict.fromkeys(counted["compared"].to_list(), 0.0)
    for group, n in zip(counted["compared"].to_list(), counted["n"].to_list(), strict=True):
        size[group] += n
    largest_first = sorted(size, key=lambda g: (-size[g], g))
    out = []
    for reference, other in combinations(largest_first, 2):
        pair = counted.filter(counted["compared"].is_in([other, reference]))
        names: Row = {compared: other, "reference": reference}
        out.append(names | _pair(pair, pair["compared"].to_numpy() == other, measure, compared, confidence))
    for p, adjusted, correct in (
        ("p_value", "p_adjusted", power.benjamini_hochberg),
        ("homogeneity_p", "homogeneity_p_adjusted", power.holm),
    ):
        tested = [row for row in out if row[p] is not None]
        for row, value in zip(tested, correct([row[p] for row in tested]) if tested else (), strict=True):
            row[adjusted] = float(value)
    return out


def _beside(measure: Measure, compared: str) -> dict[str, str]:
    return {words: column for words, column in measure.extras.items() if column != compared}


def _strata(measure: Measure, compared: str) -> tuple[str, ...]:
    return tuple(s for s in measure.strata if s != compared)


def _units(connection: Connection, units: str, measure: Measure, compared: str) -> pl.DataFrame:
    """Units that are the same in group, stratum, dentist and cluster as one row: events `y`, exposure `n`, how many.

    `stratum` counts the strata from 0 in the order of their values, `within` those of each dentist (-1: no dentist).
    """
    cluster = f"hash({own_cluster(measure)})"
    dentist = "cast(dentist as varchar)" if "dentist" in measure.columns and compared != "dentist" else "null"
    strata = [f"coalesce(cast(\"{s}\" as varchar), 'not recorded')" for s in _strata(measure, compared)]
    names = [f"s{i}" for i in range(len(strata))]
    parts = "".join(f", {sql} as {name}" for sql, name in zip(strata, names, strict=True))
    columns = (*_strata(measure, compared), *_beside(measure, compared).values())
    counted = "".join(f', count("{column}") as r{i}' for i, column in enumerate(columns))
    order = ", ".join(names) or "1"
    return frame(
        connection,
        f"""with same as (
                select cast("{compared}" as varchar) as compared, {dentist} as dentist, {cluster} as cluster {parts},
                    cast(sum(numerator) as double) as y, cast(sum(exposure) as double) as n, count(*) as many {counted}
                from {units} group by all)
            select *, dense_rank() over (order by {order}) - 1 as stratum,
                case when dentist is null then -1 else dense_rank() over (order by {order}, dentist) - 1 end as within
            from same order by {order}, compared, dentist, y desc, n desc, cluster""",
    )


def _pair(pair: pl.DataFrame, first: npt.NDArray[np.bool_], measure: Measure, compared: str, confidence: float) -> Row:
    y, n = pair["y"].to_numpy(), pair["n"].to_numpy()
    code = np.unique(pair["cluster"].to_numpy(), return_inverse=True)[1]
    events, exposure = (np.array([v[side].sum() for side in (first, ~first)]) for v in (y, n))
    low, high = rates.garwood(events, exposure, confidence)
    crude = stratified_rates.exact_ratio(events[:1], exposure[:1], events[1:], exposure[1:], confidence)
    many = pair["many"].to_numpy().sum()
    strata, extras = _strata(measure, compared), _beside(measure, compared)
    shares = [float(pair[f"r{i}"].to_numpy().sum() / many) for i in range(len(strata) + len(extras))]
    beside = dict(zip(extras, shares[len(strata) :], strict=True))
    of_side: Row = {}
    for end, place, side in (("", 0, first), ("_reference", 1, ~first)):
        of_side |= {
            f"n{end}": int(exposure[place]),
            f"events{end}": int(events[place]),
            f"rate{end}": number(events[place] / exposure[place] * PER),
            f"rate{end}_low": number(low[place] * PER),
            f"rate{end}_high": number(high[place] * PER),
            f"patients{end}": int(np.unique(code[side]).size),
        }
    return {
        **of_side,
        "crude_ratio": float(events[0] * exposure[1] / (events[1] * exposure[0])) if events[1] else None,
        "crude_low": crude.low,
        "crude_high": crude.high,
        **among_like(y, n, first, pair["stratum"].to_numpy(), code, confidence),
        "p_adjusted": None,
        "homogeneity_p_adjusted": None,
        **_within_dentists(pair, first, code, confidence),
        "allowed_for": ", ".join(
            _allowed(name, share) for name, share in zip(strata, shares[: len(strata)], strict=True)
        ),
        "recorded_besides": ", ".join(name for name, share in beside.items() if share >= RECORDED),
        "not_recorded_besides": ", ".join(name for name, share in beside.items() if share < RECORDED),
    }


WORDS = {
    "tooth_type": "tooth type",
    "curvature_class": "curvature",
    "use_class": "use number",
    "kind": "kind of treatment",
}


def _allowed(name: str, share: float) -> str:
    """`curvature (recorded of 85 %)`; never rounded up to all."""
    words = WORDS.get(name, name.replace("_", " "))
    return words if share == 1 else f"{words} (recorded of {int(share * 100)} %)"


def _within_dentists(pair: pl.DataFrame, first: npt.NDArray[np.bool_], code: Any, confidence: float) -> Row:
    """The same among like units of one dentist; `dentist_events` lie where a dentist has units of both groups."""
    known = pair["within"].to_numpy() >= 0
    if not known.any():
        return dict.fromkeys(("dentist_ratio", "dentist_low", "dentist_high", "dentist_events"))
    y, n, stratum = (pair[c].to_numpy()[known] for c in ("y", "n", "within"))
    found = among_like(y, n, first[known], stratum, code[known], confidence)
    return {
        "dentist_ratio": found["estimate"],
        "dentist_low": found["low"],
        "dentist_high": found["high"],
        "dentist_events": found["events_used"],
    }


def among_like(y: Any, n: Any, first: Any, stratum: Any, code: Any, confidence: float) -> Row:
    """The ratio among like units, from arrays: events, exposure, side (`first` true), stratum and cluster from 0.

    `high` None beside a `low`: without bound, as the second side has no event.
    """
    a, t1, b, t0 = (
        np.bincount(stratum, weights=v * side, minlength=int(stratum.max()) + 1)
        for side in (first, ~first)
        for v in (y, n)
    )
    used = (t1 > 0) & (t0 > 0)
    there = t1 + t0 > 0
    telling = used[stratum] & (y > 0)
    with_events = [np.unique(code[telling & side]).size for side in (first, ~first)]
    plain = stratified_rates.mantel_haenszel_rate(a, t1, b, t0, confidence)
    row: Row = {
        "estimate": None,
        "low": None,
        "high": None,
        "p_value": None,
        "method": None,
        "mh_ratio": plain.ratio,
        "mh_low": plain.low,
        "mh_high": plain.high,
        "independent_low": None,
        "independent_high": None,
        "clustered_low": None,
        "clustered_high": None,
        "patients_with_events": with_events[0],
        "patients_with_events_reference": with_events[1],
        "homogeneity_q": plain.q,
        "homogeneity_p": plain.q_p,
        "strata": int(used.sum()),
        "strata_dropped": int((there & ~used).sum()),
        "n_used": int((t1 + t0)[used].sum()),
        "events_used": int((a + b)[used].sum()),
    }
    if row["events_used"] == 0:
        return row
    if min(with_events) >= FEW_EVENTS:
        alike = stratified_rates.clustered_rate(y, n, first, stratum, code, confidence)
        return row | {
            "method": "Mantel-Haenszel",
            "estimate": plain.ratio,
            "low": alike.low,  # never narrower than that of independent events
            "high": alike.high,
            "p_value": alike.p,
            "independent_low": plain.low,
            "independent_high": plain.high,
            "clustered_low": alike.low,
            "clustered_high": alike.high,
        }
    exact = stratified_rates.exact_ratio(a, t1, b, t0, confidence)
    # Each cluster's events on a side counted once, in the first stratum that has one.
    once = np.zeros_like(y)
    places = np.flatnonzero(telling)
    places = places[np.lexsort((stratum[places], code[places], first[places]))]
    key = np.stack([first[places], code[places]])
    once[places[np.r_[True, np.any(key[:, 1:] != key[:, :-1], axis=0)]]] = 1
    fewer = [np.bincount(stratum, weights=once * side, minlength=used.size) for side in (first, ~first)]
    alike_exact = stratified_rates.exact_ratio(fewer[0], t1, fewer[1], t0, confidence)
    return row | {
        "method": "exact",
        "estimate": exact.median_unbiased,
        "low": min(exact.low or 0.0, alike_exact.low or 0.0),
        "high": None if exact.high is None or alike_exact.high is None else max(exact.high, alike_exact.high),
        "p_value": max(exact.p or 0.0, alike_exact.p or 0.0),
        "independent_low": exact.low,
        "independent_high": exact.high,
        "clustered_low": alike_exact.low,
        "clustered_high": alike_exact.high,
    }
