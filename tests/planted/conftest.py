"""The invented practice, exported once and imported through the command line; its truth beside it."""

from __future__ import annotations

import json
import pickle
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from typer.testing import CliRunner

from demo_data.faults import without
from demo_data.generate import Made, Practice, generate, practice
from pipeline.cli import app
from pipeline.facts.prepare import make, reads, texts
from pipeline.measures.run import Workspace
from pipeline.settings import load_settings
from pipeline.store.database import open_store
from pipeline.store.frames import frame

Row = dict[str, Any]
Once = Callable[[str, Callable[[Path], None]], Path]


@dataclass(frozen=True)
class Program:
    """A store and its settings, used by way of the command line alone."""

    store: Path
    settings: Path

    def run(self, *words: object, may_find: bool = False) -> dict[str, Any]:
        """The JSON that a command prints. `may_find`: exit status 1 (findings) is as good as 0."""
        done = CliRunner().invoke(app, [*map(str, words), "--store", str(self.store), "--json"])
        assert done.exit_code in ((0, 1) if may_find else (0,)), (words, done.exit_code, done.output, done.exception)
        found: dict[str, Any] = json.loads(done.stdout)
        return found

    def ingest(self, *words: object) -> list[Row]:
        done = self.run("ingest", *words, "--settings", self.settings, "--quiet", may_find=True)
        return list(done["files"])

    def measure(self, name: str, by: str = "", settings: Path | None = None) -> list[Row]:
        words = ("--by", by) if by else ()
        return list(self.run("measure", name, *words, "--settings", settings or self.settings)["rows"])

    def query(self, sql: str) -> pl.DataFrame:
        """Rows straight from the store, for what no command prints."""
        with duckdb.connect(str(self.store), read_only=True) as store:
            return store.sql(sql).pl()

    def facts(self, sql: str) -> pl.DataFrame:
        """Rows of the tables of facts, which live only while measures are computed."""
        with open_store(self.store) as store:
            Workspace(store, load_settings(self.settings))
            make(store, reads(sql) & texts().keys())
            return frame(store, sql)


@dataclass(frozen=True)
class Demo:
    """The demo practice: what was written, what it truly is, and the program that has imported it."""

    made: Made
    program: Program
    imported: dict[str, Row]
    sure: Path  # settings with 99.9 % intervals, where many are looked at

    @cached_property
    def truth(self) -> Practice:
        """As it is, but for the cells in which something impossible or unknown was written."""
        whole = practice()
        return replace(whole, records=without(whole.records, self.made.planted))


@pytest.fixture(scope="session")
def demo(once: Once) -> Demo:
    """Made once for all processes of a run, so that its files are not to be changed."""
    found: Demo = pickle.loads((once("planted", _demo) / "demo.pickle").read_bytes())
    return found


def _demo(folder: Path) -> None:
    made = generate(folder / "exports")
    settings = made.out / "canalwise.toml"
    program = Program(folder / "demo.duckdb", settings)
    files = program.ingest(made.out / "chairside")
    files += program.ingest(made.out / "frontdesk", made.out / "recalls.xlsx", "--mapping", made.out / "frontdesk.toml")
    sure = folder / "sure.toml"
    sure.write_text(settings.read_text(encoding="utf-8").replace("confidence = 0.95", "confidence = 0.999"))
    assert "0.999" in sure.read_text()
    (folder / "demo.pickle").write_bytes(
        pickle.dumps(Demo(made, program, {file["kind"]: file for file in files}, sure))
    )


@pytest.fixture(scope="session")
def program_of() -> type[Program]:
    """The class itself, for another practice."""
    return Program
