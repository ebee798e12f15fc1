"""A new column is one file and its use: written there, it is in the store, in drafts, in the rules, in the reference
and in the template; a fact that carries it, and a page that asks by it, are all that a table of the page needs.

The column is the shade of the tooth, which no figure here will ever want: nobody's own new column is in its way.
"""

from __future__ import annotations

import filecmp
import json
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from importlib.resources import files
from pathlib import Path

import duckdb
import pytest

from pipeline.measures.groups import GROUPS
from pipeline.records import KINDS, Column, read
from pipeline.records.reference import text
from pipeline.store import schema

ROOT = Path(__file__).resolve().parents[3]

COLUMN = """
[columns.shade]
type = "text"
about = "the shade of the tooth"
values = ["A1", "A2", "A3", "other"]
group = "shade of the tooth"
words.en = ["shade"]
words.de = ["Zahnfarbe"]
words.fr = ["teinte"]
words.es = ["color"]
words.it = ["colore"]
words.pl = ["kolor"]
"""
# Zahnfarbe is among the words of columns that are none of ours (draft/vocabulary.toml), until it is one of ours.
HEADER = "Termin;Fall;Behandler;Platz genommen;Stuhl verlassen;Zahnfarbe\n"
WORDS = ("a1", "A2", "A1", "", "A3")
MARCH = "".join(
    f"V{n};T{n};D{n % 2};2025-03-{1 + n % 31:02} {9 + n // 31:02}:00;2025-03-{1 + n % 31:02} {9 + n // 31:02}:{minutes}"
    f";{WORDS[n % 5]}\n"
    for n, minutes in ((n, 20 + n % 30) for n in range(1, 101))
)
APRIL = "V201;T1;D1;2025-04-01 09:00;2025-04-01 10:00;Z9\n"
TREATMENTS = "treatment_id,patient_id,tooth,started_on\n" + "".join(f"T{n},P{n},36,2025-03-01\n" for n in range(1, 101))

# The use, as the recipe in DEVELOPERS.md has it: the fact carries the column ...
FACT = Path("pipeline/facts/visit_facts.sql")
CARRIED = """
select f.*, s.shade
from (
{before}
) as f
left join (
    select
        practice,
        visit_id,
        case when min(shade) = max(shade) then min(shade) when min(shade) <> max(shade) then 'mixed' end as shade
    from visits
    group by practice, visit_id
) as s on s.practice = f.practice and s.visit_id = f.visit_id
"""
# ... and the page asks by it, beside the same figure by sequence.
PAGE = Path("reports/pages/monthly.py")
BESIDE = '        split("time-canal-sequence",'
ASKED = '        split("time-shade", "chair_minutes_per_visit", "shade"),\n'

GENERATED = {Path("pipeline/records/reference.md"), Path("expectations/visits.json")}


def test_it_is_in_the_kind_the_schema_and_the_reference(tmp_path: Path) -> None:
    folder = shutil.copytree(str(files("pipeline.records")), tmp_path / "records")
    with (folder / "visits.toml").open("a", encoding="utf-8") as file:
        file.write(COLUMN)
    kinds = read(folder)
    assert kinds["visits"].columns[:-1] == KINDS["visits"].columns
    assert kinds["visits"].columns[-1] == Column(
        "shade", about="the shade of the tooth", values=("A1", "A2", "A3", "other"), group="shade of the tooth"
    )
    assert {name: kind for name, kind in kinds.items() if name != "visits"} == {
        name: kind for name, kind in KINDS.items() if name != "visits"
    }
    made = [line for line in schema.create_statements(kinds) if line not in schema.create_statements()]
    assert [line.partition(" (")[0] for line in made] == ["create table visits", "create table visits_history"]
    assert all(' VARCHAR, "shade" VARCHAR, practice VARCHAR' in line for line in made)
    assert "| shade | text |  | the shade of the tooth. Takes: A1, A2, A3, other |" in text(kinds)


def test_columns_of_one_name_are_one_group() -> None:
    for kind in KINDS.values():
        for column in kind.columns:
            assert not column.group or GROUPS[column.name] == column.group, f"{kind.name}.{column.name}"


class Program:
    """The whole program in a folder of its own, with the column in it."""

    def __init__(self, folder: Path) -> None:
        self.there, self.folder = folder / "there", folder
        for package in ("pipeline", "expectations", "reports"):
            shutil.copytree(ROOT / package, self.there / package, ignore=shutil.ignore_patterns("__pycache__"))
        with (self.there / "pipeline" / "records" / "visits.toml").open("a", encoding="utf-8") as file:
            file.write(COLUMN)
        (folder / "march.csv").write_text(HEADER + MARCH, encoding="utf-8")
        (folder / "april.csv").write_text(HEADER + APRIL, encoding="utf-8")
        (folder / "treatments.csv").write_text(TREATMENTS, encoding="utf-8")
        assert "visits.json" in self.run("pipeline.records.expectations")
        self.run("pipeline.records.reference")

    def run(self, module: str, *arguments: str) -> str:
        environment = os.environ | {"PYTHONPATH": str(self.there), "PYTHONDONTWRITEBYTECODE": "1"}
        done = subprocess.run(
            [sys.executable, "-m", module, *arguments],
            cwd=self.folder,
            env=environment,
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def touched(self) -> set[Path]:
        """The files that are not as ours are."""
        names = [path.relative_to(self.there) for path in self.there.rglob("*") if path.is_file()]
        return {name for name in names if not filecmp.cmp(ROOT / name, self.there / name, shallow=False)}


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Program:
    return Program(tmp_path_factory.mktemp("new_column"))


def test_from_an_export_to_the_store_only_its_own_file_is_touched(program: Program) -> None:
    assert "shade" in program.run("pipeline.cli", "columns", "visits")
    program.run("pipeline.cli", "columns", "visits", "--workbook", "template.xlsx")
    program.run("pipeline.cli", "mapping", "march.csv", "--out", "draft.toml")
    assert 'from = "Zahnfarbe"' in (program.folder / "draft.toml").read_text(encoding="utf-8")
    program.run("pipeline.cli", "ingest", "march.csv", "april.csv", "--mapping", "draft.toml")
    with duckdb.connect(str(program.folder / "canalwise.duckdb"), read_only=True) as connection:
        stored = connection.execute("select shade from visits").fetchall()
    # Z9 is no word of the list.
    assert Counter(value for (value,) in stored) == {"A1": 40, "A2": 20, "A3": 20, None: 21}
    assert program.touched() - GENERATED == {Path("pipeline/records/visits.toml")}


def test_and_to_a_table_of_a_page_only_its_use_is(program: Program) -> None:
    """The store above. A fact that carries the column, and a line of the page: three files, nothing else."""
    fact, page = program.there / FACT, program.there / PAGE
    fact.write_text(CARRIED.format(before=fact.read_text(encoding="utf-8")), encoding="utf-8")
    before = page.read_text(encoding="utf-8")
    assert BESIDE in before, "the page is another: say here where it may ask by the column"
    page.write_text(before.replace(BESIDE, ASKED + BESIDE, 1), encoding="utf-8")
    program.run("pipeline.cli", "ingest", "treatments.csv")
    told = json.loads(program.run("pipeline.cli", "measure", "chair_minutes_per_visit", "--by", "shade", "--json"))
    assert {row["shade"]: row["n"] for row in told["rows"]} == {"A1": 40, "A2": 20, "A3": 20, None: 21}
    program.run("pipeline.cli", "report", "monthly", "--month", "2025-03", "--out", "reports")
    html = (program.folder / "reports" / "monthly-2025-03.html").read_text(encoding="utf-8")
    table = html[html.index('id="time-shade-table"') :]
    cells = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", table[table.index(">") + 1 : table.index("</table>")]))
    assert "Chair time per visit by shade of the tooth" in cells and "Shade of the tooth" in cells
    assert all(f" {value} " in cells for value in ("A1", "A2", "A3"))
    assert program.touched() - GENERATED == {Path("pipeline/records/visits.toml"), FACT, PAGE}
