"""What most tests of the pipeline need: a store in a temporary folder, exports to import into it, the command line."""

from __future__ import annotations

import csv
import json
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]

# Some hundred tests start a Python of their own: what one of them compiles the next need not, whatever the shell says.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# One sound record of each kind, as an export in our own headers writes it. They belong together.
SOUND: dict[str, dict[str, str]] = {
    "treatments": {
        "treatment_id": "T1",
        "patient_id": "P-4711",
        "birth_year": "1980",
        "tooth": "36",
        "dentist": "D1",
        "kind": "primary",
        "started_on": "2024-03-04",
        "completed_on": "2024-03-11",
        "status": "completed",
    },
    "visits": {
        "visit_id": "V1",
        "treatment_id": "T1",
        "dentist": "D1",
        "seated_at": "2024-03-04 09:00",
        "left_at": "2024-03-04 10:00",
        "booked_minutes": "60",
        "rubber_dam": "yes",
    },
    "canals": {
        "treatment_id": "T1",
        "canal": "MB",
        "working_length_mm": "20.5",
        "started_at": "2024-03-04 09:10",
        "finished_at": "2024-03-04 09:50",
    },
    "instrument_uses": {
        "use_id": "U1",
        "treatment_id": "T1",
        "canal": "MB",
        "step": "1",
        "instrument_id": "I1",
        "size": "25",
        "taper": "0.04",
        "motion": "rotation",
        "started_at": "2024-03-04 09:20",
        "result": "intact",
    },
    "instruments": {
        "instrument_id": "I1",
        "size": "25",
        "taper": "0.04",
        "length_mm": "25",
        "motion": "rotation",
        "received_on": "2024-01-10",
    },
    "incidents": {
        "incident_id": "N1",
        "treatment_id": "T1",
        "canal": "MB",
        "kind": "ledge",
        "occurred_at": "2024-03-04 09:30",
    },
    "follow_ups": {
        "follow_up_id": "F1",
        "treatment_id": "T1",
        "seen_on": "2025-03-20",
        "image": "periapical",
        "pai": "1",
        "tooth_present": "yes",
    },
    "contacts": {"contact_id": "C1", "treatment_id": "T1", "contacted_at": "2024-03-05 12:00", "pain_score": "2"},
}

Row = Mapping[str, str | None]
Once = Callable[[str, Callable[[Path], None]], Path]


# What the lane `fast` is made of, below tests/: statistics, worked examples, notations and units, who may see what,
# words, rules of the house.
FAST = (
    "pipeline/mapping/test_canal_names.py",
    "pipeline/mapping/test_tooth_notations.py",
    "pipeline/mapping/test_units.py",
    "pipeline/measures/test_examples.py",
    "pipeline/measures/test_small_groups.py",
    "pipeline/measures/test_withhold.py",
    "pipeline/output",
    "pipeline/records",
    "reports/test_attention.py",
    "reports/test_words.py",
    "stats",
    "test_rules_of_the_house.py",
)

# The files that take longest, first the longest: what is begun first does not leave a processor idle at the end.
LONGEST = (
    "reports/test_accessibility.py",
    "test_rules_of_the_house.py",
    "reports/test_layout.py",
    "expectations/test_across.py",
    "answers/test_answers.py",
    "pipeline/importing/test_forty_faults.py",
    "pipeline/importing/test_any_dialect.py",
    "reports/test_store.py",
    "pipeline/importing/test_blanked_cells.py",
    "pipeline/store/test_known.py",
    "pipeline/measures/test_degenerate_stores.py",
    "reports/test_render.py",
    "reports/test_browser.py",
    "planted/simulated/test_two_hundred_practices.py",
    "pipeline/cli/test_widths.py",
    "published/test_against_r.py",
    "pipeline/measures/test_examples.py",
    "pipeline/importing/test_ingest.py",
    "pipeline/cli/test_pipes.py",
)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--lane", choices=("fast", "default", "slow"), default="default",
        help="fast: under a minute, for the desk; slow: tests marked so, and properties with 1,000 examples for 50",
    )  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    from hypothesis import settings

    # Properties are about numbers, not about time: the first example also pays for importing SciPy.
    settings.register_profile("default lane", deadline=None, max_examples=50)
    settings.register_profile("slow lane", deadline=None, max_examples=1000)
    slow = config.getoption("lane") == "slow"
    settings.load_profile("slow lane" if slow else "default lane")
    if slow and config.option.markexpr == "not slow":
        config.option.markexpr = ""


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One more than there are processors: a test that waits, for a browser or the disk, leaves none idle."""
    return len(os.sched_getaffinity(0)) + 1 if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1) + 1


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    if config.getoption("lane") != "fast":
        return None
    fast = [ROOT / "tests" / name for name in FAST]
    here = collection_path
    return None if any(here.is_relative_to(path) or path.is_relative_to(here) for path in fast) else True


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("lane") == "slow":
        left = [item for item in items if not _is_slow(item)]
        config.hook.pytest_deselected(items=left)
        items[:] = [item for item in items if _is_slow(item)]
    place = {ROOT / "tests" / name: i for i, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path, len(LONGEST)))


def _is_slow(item: pytest.Item) -> bool:
    return item.get_closest_marker("slow") is not None or hasattr(getattr(item, "obj", None), "hypothesis")


@pytest.fixture(autouse=True)
def _own_umask() -> Iterator[None]:
    """Opening a store tightens the process's umask: each test starts from the usual one and gives it back."""
    before = os.umask(0o022)
    yield
    os.umask(before)


@pytest.fixture
def small() -> Path:
    """The folder of the small committed set of exports: all kinds, our own headers, sound rows only."""
    return ROOT / "demo_data" / "small"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Where a test's store is to be (nothing is there yet)."""
    folder = tmp_path / "store"
    folder.mkdir()
    return folder / "canalwise.duckdb"


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """once(name, make) -> a folder that `make` filled, once in a run, for all its processes to read and not to change.

    The process that comes first makes it, and others that want it wait. A store in it is opened to be read, or copied.
    """
    base = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent  # of the run; each of its processes has a folder of its own in it

    def folder(name: str, make: Callable[[Path], None]) -> Path:
        made, told = base / "once" / name, base / "once" / f"{name}.told"
        made.parent.mkdir(exist_ok=True)
        try:
            made.mkdir()
        except FileExistsError:
            until = time.monotonic() + 600
            while not told.exists():
                assert time.monotonic() < until, f"{name}: nobody makes it"
                time.sleep(0.1)
        else:
            fault = "its process ended"
            try:
                make(made)
                fault = ""
            except BaseException as e:
                fault = repr(e)
                raise
            finally:
                (telling := told.with_suffix(".telling")).write_text(fault, encoding="utf-8")
                telling.rename(told)
        if fault := told.read_text(encoding="utf-8"):
            pytest.fail(f"{name} could not be made: {fault}")
        return made

    return folder


@pytest.fixture(scope="session")
def _filled(once: Once) -> Path:
    """A store with the small set, imported once; tests get copies."""
    return once("small", _fill) / "canalwise.duckdb"


def _fill(folder: Path) -> None:
    from pipeline.importing.ingest import ingest
    from pipeline.settings import load_settings

    exports = ROOT / "demo_data" / "small"
    list(ingest(folder / "canalwise.duckdb", [exports], load_settings(exports / "canalwise.toml")))


@pytest.fixture
def filled(store: Path, _filled: Path) -> Path:
    """A store of the test's own that holds the small set."""
    for suffix in (".duckdb", ".key"):
        shutil.copy(_filled.with_suffix(suffix), store.with_suffix(suffix))
    return store


@pytest.fixture
def sound() -> Callable[..., dict[str, str | None]]:
    """sound(kind, column=text, ...) -> a row as an export writes it; a column set to None is empty."""

    def of(kind: str, **changes: str | None) -> dict[str, str | None]:
        return SOUND[kind] | changes

    return of


@pytest.fixture
def export(tmp_path: Path) -> Callable[..., Path]:
    """export(name, rows, delimiter=...) -> a text file with these rows; its header is all their columns."""

    def of(name: str, rows: list[Row], **dialect: Any) -> Path:
        path = tmp_path / "exports" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        header = list(dict.fromkeys(column for row in rows for column in row))
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, header, lineterminator="\n", **dialect)
            writer.writeheader()
            writer.writerows(rows)
        return path

    return of


@dataclass(frozen=True)
class Ran:
    """What a command did: its exit status and what it wrote."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def canalwise(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Callable[..., Ran]:
    """canalwise("ingest", path, ...) -> what `canalwise ingest PATH ...` does, run in this process.

    It runs in a folder of its own, so that no settings file or store of the developer is in the way.
    """
    from pipeline import cli

    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    monkeypatch.delenv("CANALWISE_STORE", raising=False)
    monkeypatch.setenv("COLUMNS", "200")

    def run(*arguments: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["canalwise", *map(str, arguments)])
        capsys.readouterr()
        try:
            cli.main()
            code: object = 0
        except SystemExit as e:
            code = e.code or 0
        written = capsys.readouterr()
        assert isinstance(code, int), code
        return Ran(code, written.out, written.err)

    return run
