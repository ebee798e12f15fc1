"""The invented practice, made once: as large as the demo, and once larger for the shares."""

from __future__ import annotations

import pickle
import warnings
from collections.abc import Callable
from pathlib import Path

import pytest

from demo_data.generate import Made, Practice, generate, practice
from pipeline.importing.ingest import Imported, ingest
from pipeline.settings import load_settings

Once = Callable[[str, Callable[[Path], None]], Path]


@pytest.fixture(scope="session")
def demo_practice() -> Practice:
    return practice()


@pytest.fixture(scope="session")
def large_practice() -> Practice:
    return practice(seed=101, treatments=12_000)


@pytest.fixture(scope="session")
def demo_exports(once: Once) -> Made:
    return _of(once("demo", _demo))[0]


@pytest.fixture(scope="session")
def sound_exports(once: Once) -> Made:
    found: Made = pickle.loads((once("sound", _sound) / "made.pickle").read_bytes())
    return found


@pytest.fixture(scope="session")
def imported(once: Once) -> tuple[Path, dict[str, Imported]]:
    """The store of the demo, and what was imported of each kind."""
    folder = once("demo", _demo)
    return folder / "demo.duckdb", _of(folder)[1]


def _of(folder: Path) -> tuple[Made, dict[str, Imported]]:
    found: tuple[Made, dict[str, Imported]] = pickle.loads((folder / "made.pickle").read_bytes())
    return found


def _sound(folder: Path) -> None:
    (folder / "made.pickle").write_bytes(pickle.dumps(generate(folder / "exports", faults=False)))


def _demo(folder: Path) -> None:
    with warnings.catch_warnings():  # Great Expectations itself imports deprecated modules
        warnings.simplefilter("ignore", DeprecationWarning)
        import great_expectations  # noqa: F401
    made, store = generate(folder / "exports"), folder / "demo.duckdb"
    out, settings = made.out, load_settings(made.out / "canalwise.toml")
    done = [*ingest(store, [out / "chairside"], settings)]
    done += ingest(store, [out / "frontdesk", out / "recalls.xlsx"], settings, mapping_file=out / "frontdesk.toml")
    (folder / "made.pickle").write_bytes(pickle.dumps((made, {one.kind: one for one in done})))
