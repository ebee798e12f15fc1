"""A study rebuilt as a practice: records filled in around its counts, written as CSV, run through the command line.

Only the counts are a study's own; everything else about the records (dates, patients, which canal) is filled in, one
patient a tooth. Where a study prints a share and no count, the test says how the count follows from it.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import duckdb
import pytest
from typer.testing import CliRunner

from pipeline.cli import app

Record = dict[str, object]


class Study:
    """A folder of exports and the store they go into, by way of the command line alone; and records to fill it with."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = folder / "study.duckdb"

    def run(self, *words: object, status: int = 0) -> dict[str, Any]:
        """The JSON that a command prints."""
        done = CliRunner().invoke(app, [*map(str, words), "--store", str(self.store), "--json"])
        assert done.exit_code == status, (words, done.exit_code, done.output, done.exception)
        found: dict[str, Any] = json.loads(done.stdout)
        return found

    def write(self, **kinds: Iterable[Mapping[str, object]]) -> dict[str, int]:
        """A CSV file a kind, in our own headers -> how many records of each."""
        exports = self.folder / "exports"
        exports.mkdir()
        written = {}
        for kind, records in kinds.items():
            rows = list(records)
            written[kind] = len(rows)
            with (exports / f"{kind}.csv").open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, fieldnames=list(dict.fromkeys(k for row in rows for k in row)))
                writer.writeheader()
                writer.writerows(rows)
        return written

    def ingest(self, **kinds: Iterable[Mapping[str, object]]) -> None:
        """Every record must be loaded."""
        written = self.write(**kinds)
        files = self.run("ingest", self.folder / "exports", "--quiet")["files"]
        assert {f["kind"]: f["loaded"] for f in files} == written

    def query(self, sql: str) -> list[tuple[Any, ...]]:
        """Rows straight from the store, for what no command prints."""
        with duckdb.connect(str(self.store), read_only=True) as store:
            return store.execute(sql).fetchall()

    def settings(self, text: str) -> Path:
        """A settings file beside the store."""
        path = self.folder / f"settings-{len(list(self.folder.glob('settings-*')))}.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def measure(self, name: str, *words: object) -> list[dict[str, Any]]:
        rows: list[dict[str, Any]] = self.run("measure", name, *words)["rows"]
        return rows

    def figure(self, name: str, *words: object) -> dict[str, Any]:
        """The one row of a measure."""
        rows = self.measure(name, *words)
        assert len(rows) == 1, rows
        return rows[0]

    @staticmethod
    def tooth(number: int, fdi: int = 36, **more: object) -> Record:
        """A completed treatment of a patient of its own."""
        return {
            "treatment_id": f"T{number}",
            "patient_id": f"P{number}",
            "tooth": fdi,
            "dentist": "D1",
            "kind": "primary",
            "started_on": "2020-01-07",
            "completed_on": "2020-01-07",
            "status": "completed",
        } | more

    @staticmethod
    def canal(number: int, name: str = "MB", **more: object) -> Record:
        return {"treatment_id": f"T{number}", "canal": name} | more

    @staticmethod
    def canals_of(teeth: list[Record], total: int) -> list[Record]:
        """`total` canals spread over the teeth: one each, then second, third and fourth ones, molars first."""
        names = ("MB", "P", "DB", "MB2")
        by_molar_first = sorted(teeth, key=lambda t: -(int(str(t["tooth"])) % 10))
        pairs = [(t["treatment_id"], name) for name in names for t in by_molar_first][:total]
        assert len(pairs) == total
        return [{"treatment_id": treatment, "canal": canal} for treatment, canal in pairs]

    @staticmethod
    def incident(number: int, treatment: int, kind: str, **more: object) -> Record:
        """In the first canal of the tooth, unless said otherwise."""
        return {
            "incident_id": f"X{number}",
            "treatment_id": f"T{treatment}",
            "canal": "MB",
            "kind": kind,
            "occurred_at": "2020-01-07 10:00",
        } | more

    @staticmethod
    def visit(number: int, minutes: int = 60, treatment: int | None = None, **more: object) -> Record:
        """One of the tooth with the visit's own number, unless said otherwise."""
        return {
            "visit_id": f"V{number}",
            "treatment_id": f"T{number if treatment is None else treatment}",
            "dentist": "D1",
            "seated_at": "2020-01-07 08:00",
            "left_at": str(dt.datetime(2020, 1, 7, 8) + dt.timedelta(minutes=minutes)),
        } | more

    @staticmethod
    def seen(number: int, on: str, pai: int, **more: object) -> Record:
        """A follow-up on film without any sign."""
        return {
            "follow_up_id": f"F{number}",
            "treatment_id": f"T{number}",
            "seen_on": on,
            "image": "periapical",
            "pai": pai,
            "pain": "false",
            "tenderness": "false",
            "swelling": "false",
            "sinus_tract": "false",
            "tooth_present": "true",
        } | more

    @staticmethod
    def lost(number: int, on: str) -> Record:
        """Extracted, for a reason that the study did not count as a failure of the treatment."""
        return {
            "follow_up_id": f"F{number}",
            "treatment_id": f"T{number}",
            "seen_on": on,
            "image": "none",
            "tooth_present": "false",
            "lost_on": on,
            "lost_reason": "fracture",
        }


@pytest.fixture
def study(tmp_path: Path) -> Study:
    return Study(tmp_path)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """One practice for all tests of a module, which fill it once and only ask afterwards."""
    return Study(tmp_path_factory.mktemp("shared"))


@pytest.fixture(scope="session")
def near() -> Callable[[float, int], Any]:
    """near(0.82, 2): equal to a figure printed with two decimals, so half a unit of its last digit."""

    def printed(figure: float, decimals: int) -> Any:
        return pytest.approx(figure, abs=0.5 * 10**-decimals + 1e-9)

    return printed


@pytest.fixture(scope="session")
def cut() -> Callable[[float, int], float]:
    """cut(0.2752, 2) = 0.27: a figure as studies print it that cut off further decimals instead of rounding."""

    def printed(figure: float, decimals: int) -> float:
        return int(figure * 10**decimals + 1e-9) / 10**decimals

    return printed
