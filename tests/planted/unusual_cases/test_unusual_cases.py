"""Sixty treatments that are valid and unusual, through the real import: none is lost for a word or a number in a cell.

The cases stand in cases.toml, each with its source. They are one export, and two small ones that need a mapping: a pain
scale of 0 to 100, and US tooth numbers.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.importing.ingest import ingest
from pipeline.records import KINDS
from pipeline.settings import Settings
from pipeline.store.database import open_store

Row = dict[str, str]
CASES: list[dict[str, Any]] = tomllib.loads(Path(__file__).with_name("cases.toml").read_text(encoding="utf-8"))["case"]

PLAIN: dict[str, Row] = {
    "treatments": {
        "birth_year": "1980",
        "tooth": "36",
        "kind": "primary",
        "started_on": "2024-03-04",
        "completed_on": "2024-03-18",
        "status": "completed",
        "restoration": "direct",
        "restored_on": "2024-03-18",
    },
    "visits": {"seated_at": "2024-03-04 09:00", "left_at": "2024-03-04 10:00", "reason": "planned"},
    "canals": {"canal": "D", "working_length_mm": "20.5"},
    "instrument_uses": {
        "canal": "D",
        "size": "30",
        "taper": "0.04",
        "motion": "rotation",
        "seconds": "40",
        "speed_rpm": "300",
        "torque_ncm": "2",
        "depth_mm": "18",
        "result": "intact",
    },
    "instruments": {"size": "25", "taper": "0.06", "motion": "rotation", "received_on": "2024-01-10"},
    "incidents": {"occurred_at": "2024-03-04 09:30"},
    "follow_ups": {"seen_on": "2025-03-20", "image": "periapical", "pain": "no", "tooth_present": "yes"},
    "contacts": {"contacted_at": "2024-03-05 12:00"},
}
KEYS = {
    "visits": "visit_id",
    "instrument_uses": "use_id",
    "instruments": "instrument_id",
    "incidents": "incident_id",
    "follow_ups": "follow_up_id",
    "contacts": "contact_id",
}
PAIN = """[contacts.columns]
contact_id = "contact_id"
treatment_id = "treatment_id"
contacted_at = "contacted_at"
pain_score = { from = "pain", unit = "0-100" }
"""
UNIVERSAL = """[treatments.columns]
treatment_id = "treatment_id"
patient_id = "patient_id"
tooth = { from = "tooth", notation = "universal" }
started_on = "started_on"
"""


def written(number: int, case: dict[str, Any]) -> Iterator[tuple[str, Row]]:
    """The rows of a case, as (kind, cells)."""
    treatment_id = f"T{number:02}"
    own = {"treatment_id": treatment_id, "patient_id": f"P{number:02}", "dentist": f"D{number:02}"}
    if "universal" in case:
        yield "treatments", PLAIN["treatments"] | own | {"tooth": case["universal"]}
        return
    yield "treatments", PLAIN["treatments"] | own | case.get("treatments", {})
    rows = {kind: case.get("uses" if kind == "instrument_uses" else kind, []) for kind in PLAIN if kind != "treatments"}
    rows["visits"] = rows["visits"] or [{}]
    if not rows["canals"] and (rows["instrument_uses"] or rows["incidents"]):
        rows["canals"] = [{}]
    for kind, changes in rows.items():
        for place, change in enumerate(changes, start=1):
            row = PLAIN[kind] | ({} if kind == "instruments" else {"treatment_id": treatment_id}) | change
            if kind in KEYS:
                row[KEYS[kind]] = f"{treatment_id}/{place}"
            if kind == "visits":
                row |= {"dentist": own["dentist"], "chair": own["dentist"]}
            if kind == "instrument_uses":
                row["step"] = str(place)
            yield kind, row


def export(folder: Path, name: str, rows: list[Row]) -> Path:
    folder.mkdir(exist_ok=True)
    columns = list(dict.fromkeys(column for row in rows for column in row))
    with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)
    return folder / f"{name}.csv"


@pytest.fixture(scope="module")
def rows() -> list[tuple[dict[str, Any], str, Row]]:
    return [(case, *one) for number, case in enumerate(CASES, start=1) for one in written(number, case)]


@pytest.fixture(scope="module")
def imported(
    rows: list[tuple[dict[str, Any], str, Row]], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[duckdb.DuckDBPyConnection]:
    folder = tmp_path_factory.mktemp("unusual")
    for kind in KINDS:
        export(folder / "ours", kind, [row for case, of, row in rows if of == kind and "universal" not in case])
    (folder / "ours" / "contacts.csv").unlink()
    pain = export(folder, "contacts", [row for _, of, row in rows if of == "contacts"])
    universal = export(folder, "universal", [row for case, _, row in rows if "universal" in case])
    (folder / "pain.toml").write_text(PAIN, encoding="utf-8")
    (folder / "universal.toml").write_text(UNIVERSAL, encoding="utf-8")
    store = folder / "canalwise.duckdb"
    for path, mapping in ((folder / "ours", None), (pain, "pain.toml"), (universal, "universal.toml")):
        for _ in ingest(store, [path], Settings(), mapping_file=folder / mapping if mapping else None):
            pass
    with open_store(store) as connection:
        yield connection


def test_sixty_cases_each_with_its_source() -> None:
    assert len(CASES) == 60
    assert all(case["says"] and case["source"] for case in CASES)
    assert len({case["says"] for case in CASES}) == 60


def test_at_most_one_row_is_refused_and_it_says_why(imported: duckdb.DuckDBPyConnection) -> None:
    found = imported.execute("select kind, key, reasons from quarantine where what = 'row'").fetchall()
    wanted = [(case["refused"]["kind"], f"T{n:02}") for n, case in enumerate(CASES, start=1) if "refused" in case]
    assert [(kind, n) for kind, key, _ in found for n in [f"T{len(CASES):02}"] if n in key] == wanted
    assert len(found) == len(wanted) == 1
    assert "supernumerary" in found[0][2][0]


def test_no_valid_cell_is_left_empty(imported: duckdb.DuckDBPyConnection) -> None:
    found = imported.execute("select kind, key, columns, reasons from quarantine where what = 'cell'").fetchall()
    assert found == [], "\n".join(map(str, found))


def test_every_word_and_number_of_a_case_is_in_the_store(
    rows: list[tuple[dict[str, Any], str, Row]], imported: duckdb.DuckDBPyConnection
) -> None:
    missing = []
    for case, kind, row in rows:
        if "refused" in case:
            continue
        keys = {name: row[name] for name in KINDS[kind].key}
        where = " and ".join(f"{name} = ?" for name in keys)
        given = [name for name in row if name in KINDS[kind].names and row[name] and name != "patient_id"]
        (found,) = imported.execute(
            f"select {', '.join(given)} from {kind} where {where}", list(keys.values())
        ).fetchall()
        for name, value in zip(given, found, strict=True):
            cell = " ".join(row[name].split())
            same = (
                str(value).lower() == cell.lower()
                or (cell == "variable" and value is None)
                or (cell in ("yes", "no") and value is (cell == "yes"))
                or (KINDS[kind].column(name).type in ("decimal", "int") and value == float(cell))
                or str(value) == f"{cell}:00"
            )
            if not same:
                missing.append((case["says"], kind, name, cell, value))
    assert missing == []
    assert imported.execute("select pain_score from contacts").fetchall() == [(6.3,)]


def test_no_case_is_left_out_of_figures_as_doubtful(imported: duckdb.DuckDBPyConnection) -> None:
    """Warnings may ask to look; no rule takes a valid case out of a measure."""
    found = imported.execute("select kind, rule, source_row, reason from flags where len(spoils) > 0").fetchall()
    assert found == [], "\n".join(map(str, found))
