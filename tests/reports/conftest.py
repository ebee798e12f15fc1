"""A small invented practice that answers as pipeline.measures does: fixed figures, real catalogue, no store."""

from __future__ import annotations

import math
import random
import zipfile
import zlib
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.errors import UserError
from pipeline.measures.catalogue import catalogue
from pipeline.measures.run import Result

PSEUDONYM = "p7f3a9c0ffee"
LEVEL = {"minutes": 41.0, "visits": 1.6, "instruments": 4.2, "canals": 5.4, "currency": 7.35}
FIRST = date(2024, 11, 1)


class Workspace:
    """Rows of the real shapes from a seed made of the question."""

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
            "dentist": ["D1", "D2", self.hostile or "D3"],
            "sequence": [*sequences, *([self.hostile] if self.hostile else []), "mixed", None],
            "tooth_type": ["incisor", "canine", "premolar", "molar"],
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
        left = [{"reason": "canals without both times", "n": 12}] if measure.kind in {"time", "share"} else []
        unit = self.settings.currency if measure.unit == "currency" else measure.unit
        return Result(name, measure.title, unit, measure.kind, tuple(by), rows, left, 0)

    def rows(self, measure: Any, group: dict[str, Any], rng: random.Random, few: bool) -> list[dict[str, Any]]:
        kind, scale = measure.kind, measure.scale
        if kind == "list":
            return self.records(measure.name)
        if few and kind != "comparison":
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
            return [{**group, "n": n, "events": events, "estimate": p, "low": low, "high": high, "window_open": 2}]
        if kind in {"rate", "share"}:
            events = 0 if self.calm else rng.choice([0, 1, 2, 3, 5])
            low, high = max(0, events - 1.5) / n * scale, (events + 4) / n * scale
            row = {**group, "n": n, "events": events, "estimate": events / n * scale, "low": low, "high": high}
            return [row | ({"exposure": float(n)} if kind == "rate" else {})]
        if kind == "time":
            m = (
                LEVEL["minutes"]
                * (0.3 if "canal" in measure.name else 1)
                * (1 if self.calm else rng.uniform(0.92, 1.08))
            )
            if group.get("month") == "2026-10" and measure.name == "chair_minutes_per_visit" and not self.calm:
                m *= 1.5
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
                }
            ]
        if kind == "amount":
            m = LEVEL[measure.unit] * (1 if self.calm else rng.uniform(0.8, 1.2))
            return [{**group, "n": n, "estimate": m, "low": m * 0.9, "high": m * 1.1, "total": m * n}]
        if kind == "survival":
            return self.survival(measure.name, group, rng, n)
        return self.comparison(rng)

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
                | {"p_adjusted": 0.6, "strata": 6, "n_used": 120, "smallest_difference": 0.18}
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
        incident |= {"outcome": "not due", "last_seen_on": None, "patient_id": PSEUDONYM}
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
                    "reason": "The working length lies outside 8 to 40.",
                },
                {"record_kind": "visits", "rule": "hostile", "rows_refused": 3, "reason": text},
            ],
            "imports": [
                {"source_file": "visits.csv", "record_kind": "visits", "loaded_at": datetime(2026, 11, 20, 9, 40)}
                | {"rows_read": 812, "loaded": 809, "unchanged": 0, "superseded": 0, "quarantined": 3}
            ],
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


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Puts the invented practice behind `render`; returns a function that changes what it answers."""
    from reports import render

    options: dict[str, Any] = {}
    monkeypatch.setattr(
        render, "open_workspace", lambda connection, settings, as_of: Workspace(settings, as_of, **options)
    )
    return options.update
