"""The invented practice, made once: as large as the demo, and once larger for the shares."""

from __future__ import annotations

import warnings
from pathlib import Path

import pytest

from demo_data.generate import Made, Practice, generate, practice
from pipeline.importing.ingest import Imported, ingest
from pipeline.settings import load_settings


@pytest.fixture(scope="session")
def demo_practice() -> Practice:
    return practice()


@pytest.fixture(scope="session")
def large_practice() -> Practice:
    return practice(seed=101, treatments=12_000)


@pytest.fixture(scope="session")
def demo_exports(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return generate(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="session")
def sound_exports(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return generate(tmp_path_factory.mktemp("sound"), faults=False)


@pytest.fixture(scope="session")
def imported(demo_exports: Made, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Imported]]:
    """The store of the demo, and what was imported of each kind."""
    with warnings.catch_warnings():  # Great Expectations itself imports deprecated modules
        warnings.simplefilter("ignore", DeprecationWarning)
        import great_expectations  # noqa: F401
    out, store = demo_exports.out, tmp_path_factory.mktemp("store") / "demo.duckdb"
    settings = load_settings(out / "canalwise.toml")
    done = [*ingest(store, [out / "chairside"], settings)]
    done += ingest(store, [out / "frontdesk", out / "recalls.xlsx"], settings, mapping_file=out / "frontdesk.toml")
    return store, {one.kind: one for one in done}
