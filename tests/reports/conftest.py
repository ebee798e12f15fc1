"""A small invented practice behind the same face as pipeline.measures: fixed figures, no store."""

from __future__ import annotations

import math
import random
import zlib
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.errors import UserError

GROUPS = (
    "month quarter year dentist sequence tooth_type tooth_group arch tooth canal kind lesion curvature_class size motion image basis"
).split()

# name: title, unit, kind, denominator, scale
MEASURES = {
    "chair_minutes_per_visit": ("Chair time per visit", "minutes", "time", "visits with both times recorded", 1),
    "chair_minutes_per_canal": ("Chair time per canal", "minutes", "time", "canals with both times recorded", 1),
    "visits_per_tooth": ("Visits per tooth", "visits", "amount", "completed treatments", 1),
    "instruments_per_canal": ("Instruments per canal", "instruments", "amount", "canals worked on", 1),
    "uses_per_instrument": ("Uses per instrument", "canals", "amount", "instruments retired", 1),
    "cost_per_canal": ("Instrument cost per canal", "EUR", "amount", "canals worked on", 1),
    "separations_per_1000_uses": ("Separations per 1,000 uses", "per 1,000 uses", "rate", "instrument uses", 1000),
    "separations_per_100_canals": ("Separations per 100 canals", "per 100 canals", "rate", "canals worked on", 100),
    "separations_per_100_teeth": ("Separations per 100 teeth", "per 100 teeth", "rate", "teeth treated", 100),
    "instrument_life": ("Instrument life", "uses", "survival", "tracked instruments", 1),
    "recall_share": ("Recall share", "share", "share", "treatments due", 1),
    "healed_share": ("Healed share, strict", "share", "share", "treatments with a known outcome", 1),
    "tooth_survival": ("Tooth survival", "months", "survival", "completed treatments", 1),
    "sequence_comparison": ("Comparison of sequences", "risk difference", "comparison", "treatments with a known outcome", 1),
    "incident_list": ("Incidents", "", "list", "", 1),
    "not_healed_list": ("Not healed", "", "list", "", 1),
    "recall_list": ("Recall list", "", "list", "", 1),
    "quarantine_by_reason": ("Quarantine by reason", "", "list", "", 1),
    "imports": ("Imports", "", "list", "", 1),
}
LEVEL = {"minutes": 41.0, "visits": 1.6, "instruments": 4.2, "canals": 5.4, "EUR": 7.35}


@dataclass(frozen=True)
class Measure:
    name: str
    title: str
    unit: str
    kind: str
    denominator: str
    scale: float
    numerator: str = "events recorded"
    definition: str = "What is counted, in a sentence or two."
    caption: str = "A caption of the measure."
    source: str = "Author A et al., A Journal 2001;1:1-9"
    groups: tuple[str, ...] = tuple(GROUPS)
    needs: dict[str, Any] = field(default_factory=dict)
    left_out_words: Any = ""
    published: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True)
class Result:
    measure: str
    title: str
    unit: str
    kind: str
    by: tuple[str, ...]
    rows: list[dict[str, Any]]
    left_out: list[dict[str, Any]]
    suppressed: int


def catalogue() -> dict[str, Measure]:
    found = {
        name: Measure(name, title, unit, kind, of, scale) for name, (title, unit, kind, of, scale) in sorted(MEASURES.items())
    }
    known = {
        "value": 1.9,
        "low": 1.27,
        "high": 2.7,
        "n": 1403,
        "population": "one teaching hospital, all teeth",
        "source": "Di Fiore PM et al., Int Endod J 2006",
        "differs": "hand and engine-driven instruments together",
    }
    found["separations_per_100_teeth"] = Measure(**{**found["separations_per_100_teeth"].__dict__, "published": (known,)})
    return found


class Workspace:
    """Answers like the real one, from a seed made of the question."""

    def __init__(self, settings: Any, as_of: date | None = None, lacks: tuple[str, ...] = (), hostile: str = "", few: bool = False):
        self.settings = settings
        self.as_of = as_of or date(2026, 11, 20)
        self.lacks, self.hostile, self.few = lacks, hostile, few

    def missing(self, name: str) -> list[str]:
        return ["instruments: price"] if name in self.lacks else []

    def values(self, by: str, start: date | None, end: date | None) -> list[Any]:
        if by == "month":
            last = min(end or self.as_of, self.as_of)
            first = max(start or date(2024, 11, 1), date(2024, 11, 1))
            n = (last.year - first.year) * 12 + last.month - first.month + 1
            return [f"{(m := first.month - 1 + i) // 12 + first.year}-{m % 12 + 1:02d}" for i in range(n)]
        sequences = [s.id for s in self.settings.sequences]
        return {
            "year": [2024, 2025, 2026],
            "dentist": ["D1", "D2", self.hostile or "D3"],
            "sequence": [*sequences, *([self.hostile] if self.hostile else []), "mixed", None],
            "tooth_type": ["incisor", "canine", "premolar", "molar"],
            "motion": ["hand", "rotation", "reciprocation"],
            "curvature_class": ["straight", "moderate", "severe", None],
            "tooth": [11, 12, 14, 16, 21, 24, 26, 36, 37, 46, 47, 48],
        }[by]

    def compute(
        self,
        name: str,
        by: tuple[str, ...] = (),
        start: date | None = None,
        end: date | None = None,
        where: dict[str, Any] | None = None,
    ) -> Result:
        if self.missing(name):
            raise UserError("cannot be computed")
        title, unit, kind, _, scale = MEASURES[name]
        groups: list[dict[str, Any]] = [{}]
        for b in by:
            groups = [{**g, b: v} for g in groups for v in self.values(b, start, end)]
        rows: list[dict[str, Any]] = []
        for i, group in enumerate(groups):
            rng = random.Random(zlib.crc32(repr((name, group, where, start)).encode()))
            rows += self.rows(name, kind, unit, scale, group, rng, few=self.few or (bool(by) and i == 1 and by != ("month",)))
        left = [{"reason": "canals without both times", "n": 12}] if kind in {"time", "share"} else []
        return Result(name, title, unit, kind, tuple(by), rows, left, 0)

    def rows(self, name: str, kind: str, unit: str, scale: float, group: dict[str, Any], rng: random.Random, few: bool) -> list[dict[str, Any]]:
        if kind == "list":
            return self.records(name)
        if few and kind != "comparison":
            return [{**group, "n": 3, "too_few": True, "estimate": None, "low": None, "high": None, "events": None, "time": 0}]
        n = rng.randint(40, 400)
        if kind == "share":
            events = round(n * rng.uniform(0.45, 0.9))
            p, se = events / n, math.sqrt(0.25 / n)
            return [{**group, "n": n, "events": events, "estimate": p, "low": max(0.0, p - 2 * se), "high": min(1.0, p + 2 * se)}]
        if kind == "rate":
            events = rng.choice([0, 1, 2, 3, 5])
            return [
                {
                    **group,
                    "n": n,
                    "events": events,
                    "exposure": n,
                    "estimate": events / n * scale,
                    "low": max(0, events - 1.5) / n * scale,
                    "high": (events + 4) / n * scale,
                }
            ]
        if kind == "time":
            m = LEVEL[unit] * (0.3 if "canal" in name else 1) * rng.uniform(0.92, 1.08)
            if group.get("month") == "2026-10" and name == "chair_minutes_per_visit":
                m *= 1.5
            return [{**group, "n": n, "estimate": m, "low": m * 0.93, "high": m * 1.09, "q1": m * 0.8, "q3": m * 1.3, "p90": m * 1.7}]
        if kind == "amount":
            m = LEVEL[unit] * rng.uniform(0.8, 1.2)
            return [{**group, "n": n, "estimate": m, "low": m * 0.9, "high": m * 1.1, "total": m * n}]
        if kind == "survival":
            times = range(2, 12) if name == "instrument_life" else (3.2, 7.9, 13.4, 20.1, 28.8, 41.5)
            step = 0.99 if name == "instrument_life" else 0.995
            rows = [{**group, "time": 0, "n": n, "at_risk": n, "events": 0, "estimate": 1.0, "low": None, "high": None}]
            at_risk, s = n, 1.0
            for t in times:
                at_risk = round(at_risk * 0.85)
                s *= step - rng.random() * 0.01
                rows.append({**group, "time": t, "n": n, "at_risk": at_risk, "events": 1, "estimate": s, "low": s - 0.03, "high": min(1, s + 0.02)})
            return rows
        sequences = [s.id for s in self.settings.sequences]
        made = []
        for i, sequence in enumerate(sequences[1:]):
            d = rng.uniform(-0.08, 0.08)
            made.append(
                {
                    "sequence": sequence,
                    "reference": sequences[0],
                    "n": 60 + i,
                    "events": 48,
                    "n_reference": 80,
                    "events_reference": 61,
                    "crude_difference": d + 0.03,
                    "crude_low": d - 0.1,
                    "crude_high": d + 0.16,
                    "estimate": d,
                    "low": d - 0.12,
                    "high": d + 0.12,
                    "odds_ratio": 1.1,
                    "odds_ratio_low": 0.6,
                    "odds_ratio_high": 2.1,
                    "homogeneity_p": 0.4,
                    "p_value": 0.5,
                    "strata": 6,
                    "n_used": 120,
                    "smallest_difference": 0.18,
                }
            )
        return made

    def records(self, name: str) -> list[dict[str, Any]]:
        text = self.hostile or "fragment in the apical third"
        at = datetime(2026, 10, 3, 9, 40)
        return {
            "incident_list": [
                {
                    "incident_id": f"I{i}",
                    "treatment_id": f"T{i}",
                    "patient_id": "PSEUDONYM",
                    "tooth": 36,
                    "canal": "MB",
                    "kind": "separation",
                    "occurred_at": at + timedelta(days=i),
                    "sequence": self.settings.sequences[0].id,
                    "size": 25,
                    "taper": 0.04,
                    "uses_before": 4,
                    "managed": "bypassed",
                    "patient_informed": [True, False, None][i % 3],
                    "note": text,
                }
                for i in range(7)
            ],
            "not_healed_list": [
                {"treatment_id": f"T{i}", "tooth": 46, "seen_on": date(2026, 9, 1), "preop_pai": 4, "pai": 4, "dentist": "D2", "why": text}
                for i in range(3)
            ],
            "recall_list": [
                {"treatment_id": f"T9{i}", "patient_id": "PSEUDONYM", "tooth": 16, "dentist": "D2", "due_on": date(2026, 8, i + 1)} for i in range(9)
            ],
            "quarantine_by_reason": [
                {"kind": "canals", "reason": "working_length_mm is not between 8 and 40", "n": 14},
                {"kind": "visits", "reason": text, "n": 3},
            ],
            "imports": [{"source_file": "visits.csv", "kind": "visits", "loaded_at": at, "read": 812, "loaded": 809, "quarantined": 3}],
        }[name]


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
        reporting=SimpleNamespace(smallest_group=5, confidence=0.95),
    )


@pytest.fixture
def settings() -> Any:
    return make_settings()


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Puts the invented practice behind `render`; returns a function that changes what it answers."""
    from reports import render

    options: dict[str, Any] = {}
    monkeypatch.setattr(render, "open_workspace", lambda connection, settings, as_of: Workspace(settings, as_of, **options))
    monkeypatch.setattr(render, "_catalogue", catalogue)
    return options.update
