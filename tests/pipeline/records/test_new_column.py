"""A new column is one file: written there, it is in the store, in drafts, in the rules and in the reference."""

from __future__ import annotations

import filecmp
import os
import shutil
import subprocess
import sys
from collections import Counter
from importlib.resources import files
from pathlib import Path

import duckdb

from pipeline.records import KINDS, Column, read
from pipeline.records.reference import text
from pipeline.store import schema

ROOT = Path(__file__).resolve().parents[3]

COLUMN = """
[columns.anaesthetic]
type = "text"
about = "what the patient was given before the treatment"
values = ["articaine", "lidocaine", "none", "other"]
words.en = ["anaesthetic", "local anaesthetic"]
words.de = ["Anästhesie", "Lokalanästhesie"]
words.fr = ["anesthésique"]
words.es = ["anestésico"]
words.it = ["anestetico"]
words.pl = ["środek znieczulający"]
"""
# Anästhesie is among the words of columns that are none of ours (draft/vocabulary.toml), until it is one of ours.
HEADER = "Termin;Fall;Behandler;Platz genommen;Stuhl verlassen;Anästhesie\n"
WORDS = ("Articaine", "none", "lidocaine", "", "articaine")
MARCH = "".join(f"V{n};T{n};D{n % 2};2025-03-{n:02} 09:00;2025-03-{n:02} 10:00;{WORDS[n % 5]}\n" for n in range(1, 31))
APRIL = "V41;T41;D1;2025-04-01 09:00;2025-04-01 10:00;ether\n"


def test_it_is_in_the_kind_the_schema_and_the_reference(tmp_path: Path) -> None:
    folder = shutil.copytree(str(files("pipeline.records")), tmp_path / "records")
    with (folder / "visits.toml").open("a", encoding="utf-8") as file:
        file.write(COLUMN)
    kinds = read(folder)
    assert kinds["visits"].columns[:-1] == KINDS["visits"].columns
    assert kinds["visits"].columns[-1] == Column(
        "anaesthetic",
        about="what the patient was given before the treatment",
        values=("articaine", "lidocaine", "none", "other"),
    )
    assert {name: kind for name, kind in kinds.items() if name != "visits"} == {
        name: kind for name, kind in KINDS.items() if name != "visits"
    }
    made = [line for line in schema.create_statements(kinds) if line not in schema.create_statements()]
    assert [line.partition(" (")[0] for line in made] == ["create table visits", "create table visits_history"]
    assert all('"reason" VARCHAR, "anaesthetic" VARCHAR, practice VARCHAR' in line for line in made)
    assert "| anaesthetic | text |  | what the patient was given before the treatment. Takes: articaine" in text(kinds)


def test_from_an_export_to_the_store_without_another_file_touched(tmp_path: Path) -> None:
    """The whole program with the column in it, in a folder of its own: what changes beside the TOML is generated."""
    there = tmp_path / "there"
    for package in ("pipeline", "expectations"):
        shutil.copytree(ROOT / package, there / package, ignore=shutil.ignore_patterns("__pycache__"))
    with (there / "pipeline" / "records" / "visits.toml").open("a", encoding="utf-8") as file:
        file.write(COLUMN)
    (tmp_path / "march.csv").write_text(HEADER + MARCH, encoding="utf-8")
    (tmp_path / "april.csv").write_text(HEADER + APRIL, encoding="utf-8")
    environment = os.environ | {"PYTHONPATH": str(there), "PYTHONDONTWRITEBYTECODE": "1"}

    def run(module: str, *arguments: str) -> str:
        done = subprocess.run(
            [sys.executable, "-m", module, *arguments], cwd=tmp_path, env=environment, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    assert "visits.json" in run("pipeline.records.expectations")
    run("pipeline.records.reference")
    assert "anaesthetic" in run("pipeline.cli", "columns", "visits")
    run("pipeline.cli", "mapping", "march.csv", "--out", "draft.toml")
    assert 'from = "Anästhesie"' in (tmp_path / "draft.toml").read_text(encoding="utf-8")
    run("pipeline.cli", "ingest", "march.csv", "april.csv", "--mapping", "draft.toml")
    with duckdb.connect(str(tmp_path / "canalwise.duckdb"), read_only=True) as connection:
        stored = connection.execute("select anaesthetic from visits order by visit_id").fetchall()
    # Ether is no word of the list.
    assert Counter(value for (value,) in stored) == {"articaine": 12, "none": 6, "lidocaine": 6, None: 7}
    assert _differences(ROOT, there) == {
        Path("pipeline/records/visits.toml"),
        Path("pipeline/records/reference.md"),
        Path("expectations/visits.json"),
    }


def _differences(ours: Path, theirs: Path) -> set[Path]:
    names = [path.relative_to(theirs) for path in theirs.rglob("*") if path.is_file()]
    return {name for name in names if not filecmp.cmp(ours / name, theirs / name, shallow=False)}
