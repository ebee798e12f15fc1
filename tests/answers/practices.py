"""The practices of the answer book, made and imported anew: the small committed set, one of our own, the whole demo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from demo_data.generate import generate
from pipeline.importing.ingest import ingest
from pipeline.settings import load_settings

ROOT = Path(__file__).resolve().parents[2]
SECOND = Path(__file__).with_name("second.toml")


@dataclass(frozen=True)
class Made:
    """A store and the settings that its questions are asked with."""

    store: Path
    settings: Path


def small(folder: Path) -> Made:
    """The small set of exports: sixty treatments, every kind of record, no fault."""
    exports = ROOT / "demo_data" / "small"
    return _imported(folder, [exports], exports / "canalwise.toml")


def second(folder: Path) -> Made:
    """A practice unlike the demo: other cases, half its sequences unknown to the catalogue, no stock, no phone calls.

    It records neither instruments nor what patients said, has other windows and a smaller group to show.
    """
    generate(folder / "exports", seed=1911, treatments=500, faults=False, layout="canonical")
    for kind in ("instruments", "contacts"):
        (folder / "exports" / f"{kind}.csv").unlink()
    return _imported(folder, [folder / "exports"], SECOND)


def demo(folder: Path) -> Made:
    """The demo as the README has it, faults and all."""
    made = generate(folder / "exports")
    exports, settings = made.out, made.out / "canalwise.toml"
    store = _imported(folder, [exports / "chairside"], settings).store
    rest = [exports / "frontdesk", exports / "recalls.xlsx"]
    list(ingest(store, rest, load_settings(settings), mapping_file=exports / "frontdesk.toml"))
    return Made(store, settings)


def _imported(folder: Path, paths: list[Path], settings: Path) -> Made:
    store = folder / "canalwise.duckdb"
    list(ingest(store, paths, load_settings(settings)))
    return Made(store, settings)


PRACTICES: dict[str, Callable[[Path], Made]] = {"small": small, "second": second, "demo": demo}
