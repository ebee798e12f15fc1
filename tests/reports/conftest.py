"""A small invented practice that answers as pipeline.measures does: fixed figures, real catalogue, no store."""

from __future__ import annotations

import hashlib
import json
import math
import os
import random
import shutil
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from markupsafe import Markup

from pipeline.errors import UserError
from pipeline.measures.catalogue import catalogue
from pipeline.measures.groups import GROUPS
from pipeline.measures.process_cusum import ProcessCusum
from pipeline.measures.run import Result
from reports.charts import pictures

Once = Callable[[str, Callable[[Path], None]], Path]

PSEUDONYM = "p7f3a9c0ffee"
LEVEL = {"minutes": 41.0, "visits": 1.6, "instruments": 4.2, "canals": 5.4, "currency": 7.35}
FIRST = date(2024, 11, 1)


class Workspace:
    """Rows of the real shapes from a seed made of the question."""

    kept = "kept"  # the units of the latest answer: here a table of `connection`

    def __init__(
        self,
        settings: Any,
        as_of: date | None = None,
        lacks: tuple[str, ...] = (),
        hostile: str = "",
        few: bool = False,
        calm: bool = False,
    ):
        self.settings = settings
        self.as_of = as_of or date(2026, 11, 20)
        self.lacks, self.hostile, self.few, self.calm = lacks, hostile, few, calm
        self._connection: Any = None

    @property
    def connection(self) -> Any:
        """Teeth one after another, for the CUSUMs that are made from units and not from a measure's rows."""
        if self._connection is None:
            import duckdb

            self._connection = duckdb.connect()
            groups = {by: [v for v in self.values(by, None, None) if v] for by in ("dentist", "sequence")}
            rows = [
                (
                    groups["dentist"][i % 3],
                    groups["sequence"][i % 3],
                    int(i % 9 == 0),
                    FIRST + timedelta(days=i),
                    f"T{i}",
                )
                for i in range(360)
            ]
            self._connection.execute(
                "create table kept (dentist varchar, sequence varchar, numerator integer, happened_on date, "
                "treatment_id varchar, practice varchar default 'A', cluster varchar default null, "
                "tooth_type varchar default 'molar', lesion varchar default 'yes', kind varchar default 'primary')"
            )
            self._connection.executemany(
                "insert into kept (dentist, sequence, numerator, happened_on, treatment_id) values (?, ?, ?, ?, ?)",
                rows,
            )
        return self._connection

    def missing(self, name: str) -> list[str]:
        return ["no instruments with price"] if name in self.lacks else []

    def values(self, by: str, start: date | None, end: date | None) -> list[Any]:
        if by == "month":
            last, first = min(end or self.as_of, self.as_of), max(start or FIRST, FIRST)
            n = (last.year - first.year) * 12 + last.month - first.month + 1
            return [f"{(m := first.month - 1 + i) // 12 + first.year}-{m % 12 + 1:02d}" for i in range(n)]
        sequences = [s.id for s in self.settings.sequences]
        return {
            "year": ["2024", "2025", "2026"],
            "quarter": ["2026-Q1", "2026-Q2", "2026-Q3"],
            "size": [15, 25, 30],
            "lot": ["L1", "L2", self.hostile or "L3"],
            "incident": ["separation", "ledge", "perforation"],
            "check": ["glide path", "speed", "irrigation"],
            "dentist": ["D1", "D2", self.hostile or "D3"],
            "sequence": [*sequences, *([self.hostile] if self.hostile else []), "mixed", None],
            "tooth_type": ["incisor", "canine", "premolar", "molar"],
            "image": ["cbct", "periapical"],
            "motion": ["hand", "rotation", "reciprocation"],
            "curvature_class": ["straight", "moderate", "severe", "unclassed", None],
            "tooth": [11, 12, 14, 16, 21, 24, 26, 36, 37, 46, 47, 48],
        }[by]

    def compute(
        self,
        name: str,
        by: tuple[str, ...] = (),
        start: date | None = None,
        end: date | None = None,
        where: dict[str, Any] | None = None,
        also: Iterable[str] = (),
    ) -> Result:
        measure = catalogue()[name]
        if self.missing(name):
            raise UserError(f"{name} cannot be computed")
        if any(b not in measure.groups for b in by):
            raise UserError(f"{name} cannot be grouped by {by}")
        groups: list[dict[str, Any]] = [{}]
        for b in by:
            groups = [{**g, b: v} for g in groups for v in self.values(b, start, end)]
        rows: list[dict[str, Any]] = []
        for i, group in enumerate(groups):
            rng = random.Random(zlib.crc32(repr((name, group, where or None, start)).encode("utf-8", "surrogatepass")))
            few = self.few or (bool(by) and i == 1 and by != ("month",))
            rows += self.rows(measure, group, rng, few=few)
        told = measure.kind in {"time", "share", "classes"}
        left = [{"reason": "canals without both times", "n": 12}] if told else []
        unit = self.settings.currency if measure.unit == "currency" else measure.unit
        return Result(name, measure.title, unit, measure.kind, tuple(by), rows, left, 0)

    def rows(self, measure: Any, group: dict[str, Any], rng: random.Random, few: bool) -> list[dict[str, Any]]:
        kind, scale = measure.kind, measure.scale
        if kind == "list":
            return self.records(measure.name)
        if kind in AUDITED:
            found = AUDITED[kind](self, measure, group, rng.randint(40, 400))
            return found[-1:] if few and kind == "standards" else blanked(found) if few else found
        if few and kind not in {"comparison", "completeness"}:
            return [
                {
                    **group,
                    "n": 3,
                    "time": 0.0,
                    "too_few": True,
                    "estimate": None,
                    "low": None,
                    "high": None,
                    "events": None,
                }
            ]
        n = rng.randint(40, 400)
        if kind == "share" and scale == 1:
            events = round(n * rng.uniform(0.45, 0.9))
            p, se = events / n, math.sqrt(0.25 / n)
            low, high = max(0.0, p - 2 * se), min(1.0, p + 2 * se)
            row = {**group, "n": n, "events": events, "estimate": p, "low": low, "high": high}
            if measure.name in {"unfinished_share", "over_limit_uses", "untracked_uses"}:
                row |= {"events": 0, "estimate": 0.0, "low": 0.0, "high": 0.03} if self.calm else {}
            return [row | ({"deformed": 2, "separated": 1, "other_reason": 0} if measure.extras else {})]
        if kind == "forecast":
            stock = 40 if self.calm else group.get("size", 40)
            tail = {"used": 36, "months": 12, "dispersion": 1.0, "in_stock": stock, "days_left": stock * 1.2}
            tail |= {"days_left_low": stock * 0.8, "days_left_high": stock * 2.0}
            return [
                {**group, "n": n, "time": t, "estimate": t / 5, "low": t / 10, "high": t / 3, **tail}
                for t in map(int, measure.horizons)
            ]
        if kind == "completeness":
            row = {"records": n, "complete": n - 9, "estimate": (n - 9) / n, "low": 0.9, "high": 0.99}
            return [
                {"measure": "visits_per_tooth", "record_kind": "treatments", "columns": "completed_on", **row}
                | {"most_often_blank": "completed_on"}
            ]
        if kind in {"rate", "share", "incidence"}:
            events = 0 if self.calm else rng.choice([0, 1, 2, 3, 5])
            low, high = max(0, events - 1.5) / n * scale, (events + 4) / n * scale
            row = {**group, "n": n, "events": events, "estimate": events / n * scale, "low": low, "high": high}
            return [row | ({"exposure": float(n)} if kind in {"rate", "incidence"} else {})]
        if kind == "time":
            m = (
                LEVEL["minutes"]
                * (0.3 if "canal" in measure.name else 1)
                * (1 if self.calm else rng.uniform(0.92, 1.08))
            )
            if group.get("month") == "2026-10" and measure.name == "chair_minutes_per_visit" and not self.calm:
                m *= 1.5
            shares: dict[str, Any] = {}
            for name in measure.shares:
                shares |= {name: 8, f"{name}_share": 8 / n, f"{name}_low": 4 / n, f"{name}_high": 15 / n}
            return [
                {
                    **group,
                    "n": n,
                    "estimate": m,
                    "low": m * 0.93,
                    "high": m * 1.09,
                    "q1": m * 0.8,
                    "q3": m * 1.3,
                    "p90": m * 1.7,
                    **shares,
                }
            ]
        if kind == "amount":
            m = LEVEL[measure.unit] * (1 if self.calm else rng.uniform(0.8, 1.2))
            return [{**group, "n": n, "estimate": m, "low": m * 0.9, "high": m * 1.1, "total": m * n}]
        if kind == "survival":
            return self.survival(measure.name, group, rng, n)
        if kind == "comparison":
            return self.comparison(rng)
        if kind == "rate_comparison":
            return self.rates_compared()
        return self.outcomes(measure, group, rng, n)

    def outcomes(self, measure: Any, group: dict[str, Any], rng: random.Random, n: int) -> list[dict[str, Any]]:
        """Rows of the kinds that outcomes and checks have; none of any other kind."""
        kind, p = measure.kind, rng.uniform(0.6, 0.9)
        events = round(n * p)
        share = {"estimate": events / n, "low": max(0.0, events / n - 0.08), "high": min(1.0, events / n + 0.07)}
        sequences = [s.id for s in self.settings.sequences]
        if kind == "checks":
            return [{**group, "n": n, "events": events, **share, "not_recorded": 4}]
        if kind == "classes":
            parts = {
                "healed": p,
                "healing": 0.4 * (1 - p),
                "uncertain": 0.1 * (1 - p),
                "not healed": 0.5 * (1 - p),
                "lost for another reason": 0.02,
            }
            return [
                {**group, "class": c, "n": n, "events": round(n * v), "estimate": v, "low": v * 0.8, "high": v * 1.1}
                for c, v in parts.items()
            ]
        if kind == "bounds":
            row = {"not_known": n, "lowest": events / n / 2, "highest": 0.5 + events / n / 2}
            return [{**group, "n": n, "events": events, **share, **row, "lowest_low": 0.2, "highest_high": 0.98}]
        if kind == "weighted":
            return [{**group, "n": n, **share, "not_seen": n, "unweighted": p, "largest_weight": 2.0}]
        if kind == "seen":
            row = {"n": n, "events": 60, "share_seen": 60 / n, "n_reference": 80, "events_reference": 20}
            row |= {"share_not_seen": 0.25, "estimate": 60 / n - 0.25, "low": -0.2, "high": 0.9}
            return [
                {**group, "characteristic": "tooth_type", "level": level, **row, "standardised_difference": d}
                for level, d in (("molar", 0.31), ("incisor", -0.31))
            ]
        if kind == "competing":
            row = {"n": n, "events": 0, "at_risk": n // 2, "few_at_risk": False, "low": None, "high": None}
            return [
                {**group, "cause": cause, "time": float(t), "estimate": t / 1000, **row}
                for cause in measure.order
                for t in measure.horizons
            ]
        if kind == "interval_censored":
            not_told = "cannot be told before the first visit at 8.5 months"
            row = {"n": n, "told_from": 8.5, "at_least": p - 0.1, "at_most": p}
            before = dict.fromkeys((*share, "turnbull")) | {"differs": False, "not_told": not_told}
            after = {**share, "turnbull": p, "not_told": None}
            return [
                {**group, **row, "time": float(t), "events": t, **(before if t < 8.5 else after | {"differs": t == 24})}
                for t in measure.horizons
            ]
        if kind == "learning":
            row = {"n": 9, "n_reference": 40, "estimate": 1.2, "low": 0.9, "high": 1.5, "median": 18.0}
            return [
                {"sequence": s, "cases": cases, **row, "plateau_median": 15.0}
                for s in sequences[:2]
                for cases in ("1-10", "11-20")
            ]
        if kind == "adjusted_time":
            row = {"n": n, "n_reference": n, "median": 20.0, "median_reference": 16.0, "crude_ratio": 1.25}
            row |= {"crude_low": 1.1, "crude_high": 1.4, "estimate": 1.2, "low": 1.0, "high": 1.3}
            return [{"sequence": s, "reference": sequences[0], **row} for s in sequences[1:]]
        if kind == "adjusted_funnel":
            ends = {"limit_low_998": 0.5, "limit_low_95": 0.7, "limit_high_95": 1.3, "limit_high_998": 1.6}
            row = {"expected": events / 0.9, "estimate": 0.9, "low": 0.8, "high": 1.02, "target": 1.0, "shrunken": 0.95}
            return [{**group, "n": n, "events": events, **row, **ends, "position": "inside", "units": 5}]
        if kind == "funnel" and measure.compare == "dentist":
            ends = {"limit_low_998": 0.5, "limit_low_95": 0.6, "limit_high_95": 0.85, "limit_high_998": 0.95}
            return [
                {**group, "n": n, "events": events, **share, "target": 0.75, **ends, "position": "inside", "units": 3}
            ]
        return []

    def survival(self, name: str, group: dict[str, Any], rng: random.Random, n: int) -> list[dict[str, Any]]:
        times = range(2, 12) if name == "instrument_life" else (3.2, 7.9, 13.4, 20.1, 28.8, 41.5)
        rows = [{**group, "n": n, "time": 0.0, "at_risk": n, "events": 0, "estimate": 1.0, "low": None, "high": None}]
        at_risk, s = n, 1.0
        for t in times:
            at_risk = round(at_risk * 0.85)
            s *= 0.99 - rng.random() * 0.01
            rows.append(
                {
                    **group,
                    "n": n,
                    "time": float(t),
                    "at_risk": at_risk,
                    "events": 1,
                    "estimate": s,
                    "low": s - 0.03,
                    "high": s + 0.005,
                }
            )
        return rows

    def rates_compared(self) -> list[dict[str, Any]]:
        first, second = [s.id for s in self.settings.sequences][:2]
        row: dict[str, Any] = {"sequence": first, "reference": second, "n": 2400, "n_reference": 4100}
        row |= {
            "events": 11,
            "events_reference": 20,
            "patients": 90,
            "patients_reference": 140,
            "patients_with_events": 11,
        }
        row |= {"rate": 4.6, "rate_low": 2.3, "rate_high": 8.2, "method": "exact", "strata": 9, "n_used": 6100}
        row |= {"rate_reference": 4.9, "rate_reference_low": 3.0, "rate_reference_high": 7.5, "events_used": 30}
        row |= {"crude_ratio": 0.94, "crude_low": 0.41, "crude_high": 2.04, "estimate": 0.81, "low": 0.33, "high": 1.9}
        row |= {"p_value": 0.6, "p_adjusted": 0.6, "homogeneity_p_adjusted": None, "allowed_for": "tooth type"}
        row |= {"dentist_ratio": None, "dentist_low": 0.4, "dentist_high": None, "dentist_events": 12}
        return [row | {"recorded_besides": "speed", "not_recorded_besides": "torque"}]

    def comparison(self, rng: random.Random) -> list[dict[str, Any]]:
        sequences = [s.id for s in self.settings.sequences]
        made = []
        for i, sequence in enumerate(sequences[1:]):
            d = rng.uniform(-0.08, 0.08)
            made.append(
                {"sequence": sequence, "reference": sequences[0], "n": 60 + i, "events": 48, "n_reference": 80}
                | {"events_reference": 61, "crude_difference": d + 0.03, "crude_low": d - 0.1, "crude_high": d + 0.16}
                | {
                    "estimate": d,
                    "low": d - 0.12,
                    "high": d + 0.12,
                    "odds_ratio": 1.1,
                    "homogeneity_p": 0.4,
                    "p_value": 0.5,
                }
                | {"p_adjusted": 0.6, "strata": 6, "n_used": 120, "smallest_difference": 0.18, "pairs": 2}
                | {
                    f"{way}_{end}": d + off
                    for way in ("mantel_haenszel", "standardised", "weighted")
                    for end, off in (("difference", 0.0), ("low", -0.12), ("high", 0.12))
                }
                | {"n_eligible": 90 + i, "n_eligible_reference": 120, "alone": 0.05, "alone_reference": 0.2}
                | {
                    f"review_{name}{side}": months
                    for side in ("", "_reference")
                    for name, months in (("quarter", 13.0), ("median", 14.2), ("three_quarters", 15.3))
                }
                | {"e_value": 1.4, "e_value_limit": 1.0, "homogeneity_p_adjusted": 0.9}
                | {"adjusted_for": "tooth type, dentist", "not_adjusted_for": "age", "unrecorded": "health"}
            )
        return made

    def records(self, name: str) -> list[dict[str, Any]]:
        text = self.hostile or "apical"
        day, sequence = date(2026, 10, 3), self.settings.sequences[0].id
        incident = {"incident": "separation", "dentist": "D1", "tooth": 36, "tooth_type": "molar", "canal": "MB"}
        incident |= {
            "canal_third": text,
            "curvature_deg": 31.0,
            "sequence": sequence,
            "instrument_id": "E1007",
            "size": 25,
        }
        incident |= {"motion": "rotation", "use_number": 5, "use_limit": 8, "fragment_mm": 2.5, "managed": "bypassed"}
        incident |= {"outside": "speed, irrigation", "outcome": "not due", "last_seen_on": None}
        incident |= {"patient_id": PSEUDONYM}
        tooth = {
            "dentist": "D2",
            "tooth": 46,
            "tooth_type": "molar",
            "sequence": sequence,
            "kind": "primary",
            "lesion": "yes",
        }
        tooth |= {"completed_on": date(2025, 3, 2), "separations": 1, "patient_id": PSEUDONYM}
        return {
            "incident_list": [
                {"happened_on": day - timedelta(days=i), "incident_id": f"I{i}", "treatment_id": f"T00{i}"}
                | incident
                | {"patient_informed": [True, False, None][i % 3]}
                for i in range(40)
            ],
            "not_healed_list": [
                {"treatment_id": f"T10{i}", "seen_on": day, "preop_pai": 4, "outcome_pai": 4, "why": text} | tooth
                for i in range(3)
            ],
            "recall_list": [
                {"treatment_id": f"T20{i}", "last_seen_on": None, "months_since_completion": 14, "window_open": i == 1}
                | tooth
                for i in range(9)
            ],
            "quarantine_by_reason": []
            if self.calm
            else [
                {
                    "record_kind": "canals",
                    "rule": "working_length",
                    "rows_refused": 14,
                    "share": 14 / 17,
                    "cumulated_share": 14 / 17,
                    "reason": "The working length lies outside 8 to 40.",
                },
                {"record_kind": "visits", "rule": "hostile", "rows_refused": 3, "reason": text}
                | {"share": 3 / 17, "cumulated_share": 1.0},
            ],
            "corrections": [],
            "imports": [
                {"source_file": "visits.csv", "record_kind": "visits", "loaded_at": datetime(2026, 11, 20, 9, 40)}
                | {"rows_read": 812, "loaded": 809, "unchanged": 0, "superseded": 0, "quarantined": 3}
            ],
        }[name]


def blanked(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of a group too small to report: its name alone, once, as the runner leaves it."""
    kept = {
        tuple(row.items()): row
        for row in ({k: v if k in GROUPS and k != "level" else None for k, v in found.items()} for found in rows)
    }
    return [row | {"too_few": True} for row in kept.values()]


def gap_rows(self: Workspace, measure: Any, group: dict[str, Any], n: int) -> list[dict[str, Any]]:
    head = {**group, "n": 900, "events": 9, "estimate": 100.0, "low": 52.7, "high": 218.7, "tentative": False}
    head |= {"canals_centre": 60.0, "canals_high": 400.0, "days_centre": 20.0, "days_low": None, "days_high": 180.0}
    day, rows = self.as_of - timedelta(days=400), []
    for i in range(10):
        gap = "before the first" if i == 0 else "since the last" if i == 9 else "between"
        said = "fewer canals than usual for a long run" if i >= 7 and not self.calm else ""
        row = {"gap": gap, "from": day, "to": None if i == 9 else day + timedelta(days=40), "canals": 5 * i, "days": 40}
        rows.append(head | row | {"at_least": i in {0, 9}, "signal": said})
        day += timedelta(days=40)
    return rows


def breakdown_rows(self: Workspace, measure: Any, group: dict[str, Any], n: int) -> list[dict[str, Any]]:
    levels = {"third of the canal": ("apical", "middle"), "managed": ("bypassed", self.hostile or "retrieved")}
    return [
        {**group, "characteristic": name, "level": level, "n": 40, "events": events, "estimate": events / 40}
        | {"low": events / 50, "high": events / 32, "not_recorded": 6}
        for name in measure.extras
        for level, events in zip(levels.get(name, ("15", "20")), (28, 12), strict=True)
    ]


def hazard_rows(self: Workspace, measure: Any, group: dict[str, Any], n: int) -> list[dict[str, Any]]:
    tail = {"weibull_shape": 1.3, "limit": 0.02, "uses_within_limit": None if self.calm else 3}
    return [
        {**group, "n": 400, "time": t, "at_risk": 420 - 20 * t, "few_at_risk": False, "events": t}
        | {"estimate": t / 200, "low": t / 180 if t == 4 else t / 400, "high": t / 60, "smooth": t / 210, **tail}
        for t in range(1, 6)
    ]


def factor_rows(self: Workspace, measure: Any, group: dict[str, Any], n: int) -> list[dict[str, Any]]:
    row = {"n": 100, "events": 10, "n_reference": 400, "events_reference": 20, "estimate": 2.0, "low": 1.1, "high": 3.6}
    row |= {"recorded_share": 0.95, "not_recorded": 20, "strata": 4, "p_value": 0.02, "p_adjusted": 0.04}
    blank: dict[str, Any] = dict.fromkeys(row) | {"recorded_share": 0.0, "seen": "not recorded"}
    usual = row | {"seen": "no difference shown", "recorded_share": 0.95 if self.calm else 0.6}
    rows = [usual if self.calm else row | {"seen": "seen more often"}, usual, usual if self.calm else blank]
    return [
        {"incident": incident, "factor": factor} | found
        for incident in ("any", "separation")
        for factor, found in zip(list(measure.extras)[:3], rows, strict=True)
    ]


def funnel_rows(self: Workspace, measure: Any, group: dict[str, Any], n: int) -> list[dict[str, Any]]:
    of, scale = measure.compare, measure.scale
    tail = {"target": 0.05 * scale, "limit_low_998": 0.0, "limit_low_95": 0.0, "limit_high_95": 0.1 * scale}
    tail |= {"limit_high_998": 0.15 * scale, "units": 3, "overdispersion_allowed_for": False}
    return [
        {of: name, "n": size, "events": round(share * size), "estimate": share * scale, "low": share * scale / 2}
        | {"high": share * scale * 1.5, "position": position, **tail}
        for name, size, share, position in (
            (self.values(of, None, None)[0], 60, 0.05, "inside"),
            (self.values(of, None, None)[1], 80, 0.05, "inside"),
            (
                self.values(of, None, None)[2],
                100,
                *((0.05, "inside") if self.calm else (0.2, "above the 99.8 % limit")),
            ),
        )
    ]


def check_rows(self: Workspace, measure: Any, group: dict[str, Any], n: int) -> list[dict[str, Any]]:
    share = 0.5 if group.get("check") == "irrigation" and not self.calm else 0.9
    row = {**group, "n": n, "events": round(share * n), "estimate": share, "low": share - 0.05, "high": share + 0.04}
    return [row | {"design_effect": 1.0, "not_recorded": 7} | dict.fromkeys(measure.extras, 3)]


def standard_rows(self: Workspace, measure: Any, group: dict[str, Any], n: int) -> list[dict[str, Any]]:
    row = {"measure": "recall_share", "title": "Recall share", "unit": "share", "direction": "at least", "target": 0.7}
    row |= {"since": date(2026, 1, 1), "n": 80, "estimate": 0.5, "low": 0.4, "high": 0.6, "verdict": "not met"}
    row |= {"n_before": 90, "before": 0.55, "change": -0.05, "change_low": -0.2, "change_high": 0.1}
    row |= {"trend": "no change shown", "lacking": None, "note": self.hostile or "A second letter is sent."}
    met = row | {"estimate": 0.8, "low": 0.75, "high": 0.85, "verdict": "met"}
    untold = row | dict.fromkeys(("n", "estimate", "low", "high", "before", "change", "trend"))
    untold |= {"verdict": "cannot be told yet", "lacking": "too few to report"}
    return [met if self.calm else row, untold]


AUDITED: dict[str, Any] = {
    "gaps": gap_rows,
    "breakdown": breakdown_rows,
    "hazard": hazard_rows,
    "factors": factor_rows,
    "funnel": funnel_rows,
    "checks": check_rows,
    "standards": standard_rows,
}


def make_settings(hostile: str = "") -> Any:
    sequences = [
        SimpleNamespace(id="hand-six", title="Six hand instruments"),
        SimpleNamespace(id="rotation-five", title="Hand path, then five in rotation"),
        SimpleNamespace(id="reciprocation-two", title=hostile or "Hand path, then two in reciprocation"),
    ]
    return SimpleNamespace(
        practice=hostile or "Ostrobrück",
        time_zone="Europe/Vienna",
        currency="EUR",
        sequences=sequences,
        answers=(),
        reporting=SimpleNamespace(
            smallest_group=5,
            confidence=0.95,
            healed_after_months=12,
            recall_window_months=(9, 18),
            comparison_window_months=(12, 24),
        ),
    )


@pytest.fixture
def settings() -> Any:
    return make_settings()


@pytest.fixture(scope="session")
def settings_for() -> Any:
    """Makes settings; their texts are the string given, if any."""
    return make_settings


@pytest.fixture
def workspace() -> Any:
    """The invented practice's workspace, to be made with options."""
    return Workspace


@pytest.fixture(scope="session")
def workspace_type() -> Any:
    return Workspace


@pytest.fixture(scope="session")
def text_of() -> Callable[[Path], str]:
    """All text of a file that was written: of a workbook, its parts."""

    def text(path: Path) -> str:
        if path.suffix != ".xlsx":
            return path.read_text(encoding="utf-8")
        with zipfile.ZipFile(path) as parts:
            return "\n".join(parts.read(name).decode() for name in parts.namelist())

    return text


@pytest.fixture
def pseudonym() -> str:
    """The patient's pseudonym in the invented records: it must never be seen."""
    return PSEUDONYM


def charted(workspace: Any, name: str, by: tuple[str, ...], *question: Any) -> ProcessCusum:
    """A CUSUM of three teeth a group, the sum of the first group beyond its limit."""
    groups = [v for v in workspace.values(by[0], None, None) if v is not None]
    row = {"n": 60, "events": 12, "expected": 6.5, "highest": 4.1, "limit": 3.5, "highest_down": 0.4, "limit_down": 2.5}
    days = [date(2024, 3, 1), date(2024, 5, 2), date(2024, 9, 3)]
    measure = catalogue()[name]
    return ProcessCusum(
        *(name, measure.title, "teeth", measure.kind, by),
        rows=[
            row
            | {by[0]: g, "down_on": None, "answered_on": None}
            | (
                dict.fromkeys(("signal_on", "up_on"), days[2]) | {"signal": "more than expected"}
                if g == groups[0]
                else dict.fromkeys(("signal_on", "up_on", "signal"))
            )
            for g in groups
        ],
        left_out=[],
        suppressed=0,
        series=[
            {by[0]: g, "number": i + 1, "on": day, "sum": 4.1 if g == groups[0] and i == 2 else 0.5 * i}
            | {"sum_down": 0.2 * (2 - i), "limit": 3.5, "limit_down": 2.5, "answered": 0}
            for g in groups
            for i, day in enumerate(days)
        ],
        signals=[],
        notes=["A signal asks for a look; it says nothing of the cause."],
    )


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Puts the invented practice behind `render`; returns a function that changes what it answers."""
    from reports import render, source

    options: dict[str, Any] = {}
    monkeypatch.setattr(source, "_charted", charted)
    monkeypatch.setattr(
        render, "open_workspace", lambda connection, settings, as_of: Workspace(settings, as_of, **options)
    )
    return options.update


# ---- pictures


class KeptPictures:
    """As reports.charts.pictures.Pictures, in this process and each picture drawn once in a run of the tests.

    Starting processes that draw costs more than most pages of these tests. test_store.py and test_charts.py have the
    real ones, and so has whatever runs the command `report`.
    """

    folder: Path
    made: Mapping[str, str] = {}
    used: Iterable[str] = ()

    def __init__(self, config: Mapping[str, Any], drawn: Mapping[str, str] | None = None) -> None:
        self._config, self._script = config, ""

    def __enter__(self) -> KeptPictures:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def want(self, specs: Iterable[str]) -> None:
        for spec in specs:
            self._kept(spec)

    def of(self, spec: str) -> Markup:
        return Markup(self._kept(spec))

    def want_script(self, page: str) -> None:
        self._script = self._made("script", page, lambda: pictures.bundle(page))

    def script(self) -> str:
        return self._script

    def _kept(self, spec: str) -> str:
        asked = json.dumps([spec, self._config])
        return self._made("picture", asked, lambda: pictures.picture(spec, self._config))

    def _made(self, what: str, asked: str, make: Callable[[], str]) -> str:
        path = self.folder / f"{what}-{hashlib.sha256(asked.encode()).hexdigest()[:32]}"
        if not path.exists():  # another process may make it meanwhile: the same again
            writing = path.with_name(f"{path.name}-{os.getpid()}")
            writing.write_text(make(), encoding="utf-8", newline="")
            writing.replace(path)
        return path.read_bytes().decode("utf-8")


@pytest.fixture(scope="session", autouse=True)
def _kept_pictures(once: Once) -> Iterator[None]:
    KeptPictures.folder = once("pictures", lambda _: None)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("reports.render.Pictures", KeptPictures)
        yield


# ---- pages in a browser

BROWSER = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
IN_BROWSER = (
    "</script><script>document.title=1337</script><svg onload=document.title=1337> a-word-without-a-break" + "x" * 60
)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """A browser without windows; the test is skipped where there is none."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no Chromium on this machine")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as p:
        browser = p.chromium.launch(executable_path=path, args=BROWSER)
        yield browser
        browser.close()


@pytest.fixture(scope="module", params=["", IN_BROWSER], ids=["plain", "hostile"])
def pages(request: pytest.FixtureRequest, once: Once) -> list[Path]:
    """The pages of the invented practice; and again where every text of a record is one that means harm.

    They are rendered once for all modules that open them in a browser.
    """
    return _rendered(once, request.param)


@pytest.fixture(scope="module")
def plain_pages(once: Once) -> list[Path]:
    """The pages of the invented practice, for what does not depend on the words of a record."""
    return _rendered(once, "")


@pytest.fixture(scope="module")
def hostile_pages(once: Once) -> list[Path]:
    return _rendered(once, IN_BROWSER)


def _rendered(once: Once, hostile: str) -> list[Path]:
    folder = once("pages-hostile" if hostile else "pages", partial(_render, hostile=hostile))
    return [folder / name for name in (folder / "pages.txt").read_text(encoding="utf-8").splitlines()]


def _render(folder: Path, hostile: str) -> None:
    from reports.render import render

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "reports.render.open_workspace",
            lambda connection, settings, as_of: Workspace(settings, as_of, hostile=hostile),
        )
        made = render(None, make_settings(hostile), folder, dentist="D2")
    (folder / "pages.txt").write_text("\n".join(path.name for path in made), encoding="utf-8")


@pytest.fixture(scope="session")
def small_practice(once: Once) -> tuple[Path, Path]:
    """A practice of 160 treatments: its settings and its store, to be read."""
    folder = once("practice-160", _practice)
    return folder / "exports" / "canalwise.toml", folder / "store.duckdb"


def _practice(folder: Path) -> None:
    from demo_data.generate import SMALL_SEED, generate
    from pipeline.importing.ingest import ingest
    from pipeline.settings import load_settings

    exports = folder / "exports"
    generate(exports, seed=SMALL_SEED, treatments=160, layout="canonical")
    list(ingest(folder / "store.duckdb", [exports], load_settings(exports / "canalwise.toml")))


@pytest.fixture(scope="session")
def crowded() -> str:
    """A script: pairs of texts of a chart that overlap by more than two pixels, and texts that reach out of it."""
    return """() => [...document.querySelectorAll('.chart svg')]
  .filter(s => s.getBoundingClientRect().width).flatMap(svg => {
  const frame = svg.getBoundingClientRect();
  const texts = [...svg.querySelectorAll('text')].filter(t => t.textContent.trim());
  const boxes = texts.flatMap(t => (t.querySelector('tspan') ? [...t.querySelectorAll('tspan')] : [t])
    .map(e => ({words: e.textContent, box: e.getBoundingClientRect()})));
  const name = svg.closest('figure').id;
  const out = boxes.filter(b => b.box.left < frame.left - 1 || b.box.right > frame.right + 1
    || b.box.top < frame.top - 1 || b.box.bottom > frame.bottom + 1).map(b => `${name}: outside: ${b.words}`);
  boxes.forEach((a, i) => boxes.slice(i + 1).forEach(b => {
    const wide = Math.min(a.box.right, b.box.right) - Math.max(a.box.left, b.box.left);
    const tall = Math.min(a.box.bottom, b.box.bottom) - Math.max(a.box.top, b.box.top);
    if (wide > 2 && tall > 4) out.push(`${name}: ${a.words} | ${b.words}`);
  }));
  return out;
})"""
