"""Funnels after case mix: each dentist's events against what a model of all others' cases expects of the own ones.

`estimate` is observed to expected, `target` 1. The expected count comes from a logistic (of `rate` measures: Poisson)
model over the measure's `strata`, fitted to the units of all other dentists alone, so that nobody is his own yardstick.
Limits (95 and 99.8 %) are in whole events; they allow for chance, for units of one patient being alike, and for the
expected count being an estimate. `shrunken` draws the ratio towards that of all. Methods: pipeline.stats.case_mix.
Never a league table.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.measures.case_mix import PATIENT, columns, first_seen, terms
from pipeline.measures.catalogue import Measure
from pipeline.measures.kinds._common import Row
from pipeline.measures.kinds.funnel import ALONE, LIMITS, position
from pipeline.stats import case_mix, risk_model
from pipeline.stats._common import Floats
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl

    Connection = duckdb.DuckDBPyConnection

FEWEST_OTHERS = 30  # units of others below which nothing is expected, and of events and of units without; simulated:
FEWEST_EVENTS = 5  # with fewer the limits do not hold what they say (tests/planted/simulated/test_peers.py)
CANNOT = "cannot be told: too few units of others"
FIGURES = ("expected", "estimate", "low", "high", "target", *LIMITS, "shrunken")


def rows(connection: Connection, units: str, measure: Measure, by: tuple[str, ...], confidence: float) -> list[Row]:
    names = (*(g for g in by if g != measure.compare), measure.compare)
    found = _units(connection, units, measure, names)
    if found.is_empty():
        return []
    groups = [f"of {g}" for g in names[:-1]]
    out: list[Row] = []
    for part in found.partition_by(groups, maintain_order=True) if groups else [found]:
        kept = dict(zip(names[:-1], part.select(groups).row(0), strict=True)) if groups else {}
        out += [kept | row for row in _funnel(part, measure, confidence)]
    return out


def _units(connection: Connection, units: str, measure: Measure, names: tuple[str, ...]) -> pl.DataFrame:
    """Units in the order of their groups, then of their content: no pseudonym and no order of records decides."""
    of = ", ".join(f'"{g}" as "of {g}"' for g in names)
    order = ", ".join(f'"of {g}" nulls last' for g in names)
    found = frame(
        connection,
        f"""select {of}, cast(numerator as double) as y, {columns(measure.strata)}, {PATIENT} as patient
            from {units} order by {order}, happened_on, practice, treatment_id, y""",
    )
    return found.with_columns(first_seen(found["patient"]).alias("patient"))


def _funnel(part: pl.DataFrame, measure: Measure, confidence: float) -> list[Row]:
    """One funnel: a row a dentist, in the order in which they came."""
    who = part[f"of {measure.compare}"]
    y, x, patient = part["y"].to_numpy(), terms(part, measure.strata), part["patient"].to_numpy()
    kind = "rate" if measure.rate else "share"
    found: list[tuple[Row, case_mix.Expected | None]] = []
    for name in who.unique(maintain_order=True):
        mine = who.eq_missing(name).to_numpy()
        row = {measure.compare: name, "n": int(mine.sum()), "events": int(y[mine].sum())}
        found.append((row, _expected(kind, y[~mine], x[~mine], patient[~mine], x[mine], patient[mine])))
    known = [(float(row["events"]), of) for row, of in found if of is not None]
    phi = case_mix.dispersion(known)
    shrunken = case_mix.shrunken(known, float(y.mean()))
    drawn = iter(shrunken or [])
    out = []
    for row, of in found:
        figures: Row = dict.fromkeys(FIGURES) | {"position": ALONE if len(found) == 1 else CANNOT}
        if of is not None:
            ends = case_mix.limits(of, phi=phi)
            low, high = case_mix.interval(of, row["events"], confidence)
            figures = {"expected": of.expected, "estimate": row["events"] / of.expected, "low": low, "high": high}
            figures |= {"target": 1.0} | dict(zip(LIMITS, (float(r) / of.expected for r in ends), strict=True))
            figures |= {"shrunken": next(drawn, None), "position": position(row["events"], ends)}
        out.append(row | figures | {"units": len(found), "overdispersion_allowed_for": phi > 1})
    return out


def _expected(kind: str, y: Floats, x: Floats, patient: Any, own: Floats, own_patient: Any) -> case_mix.Expected | None:
    """What the others' units make expect of the own ones; None where they are too few."""
    without = y.size - int((y > 0).sum()) if kind == "share" else FEWEST_EVENTS
    if y.size < FEWEST_OTHERS or min(int((y > 0).sum()), without) < FEWEST_EVENTS:
        return None
    return case_mix.expected(risk_model.fitted(y, x, patient, kind), own, own_patient)
