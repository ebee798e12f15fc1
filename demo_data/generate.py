"""The invented practice's exports: three years of root canal treatments, with a written truth (truth.py).

python -m demo_data.generate OUT [--treatments N] [--seed S] [--layout demo|canonical] [--no-faults]
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from importlib.resources import as_file, files
from pathlib import Path
from typing import Literal

import polars as pl

from demo_data import layouts
from demo_data.afterwards import contacts, follow_ups, incidents
from demo_data.faults import RAGGED, Planted, plant
from demo_data.work import at_work

# A seed whose sample lies near the truth, so that the demo shows it; the tests draw others too.
SEED = 91
SMALL_SEED, SMALL_TREATMENTS = 43, 60  # demo_data/small: every status, a primary tooth, three separations


@dataclass(frozen=True)
class Made:
    """What was written: the folder, the file of each kind, rows written (faulty ones included) and what was planted."""

    out: Path
    files: dict[str, Path]
    rows: dict[str, int]
    planted: tuple[Planted, ...] = field(default=())


@dataclass(frozen=True)
class Practice:
    """The practice as it truly is: canonical frames, and what the records do not say.

    `records`: kind -> typed frame with exactly the canonical columns. `truth`: one row a completed treatment with the
    true class and loss. `uses`: every use with its true use number, hazard and what happened.
    """

    records: dict[str, pl.DataFrame]
    truth: pl.DataFrame
    uses: pl.DataFrame
    canals: pl.DataFrame
    visits: pl.DataFrame


def practice(seed: int = SEED, treatments: int = 2500) -> Practice:
    """Make the whole practice in memory, without faults."""
    work = at_work(seed, treatments)
    recalls, latent = follow_ups(seed, work)
    frames = {
        "treatments": work.treatments,
        "visits": work.visits.with_columns(seated_at=_clock("_seated"), left_at=_clock("_left")),
        "canals": work.canals.with_columns(
            started_at=pl.when(~pl.col("_times_missing")).then(_clock("_from")),
            finished_at=pl.when(~pl.col("_times_missing")).then(_clock("_to")),
        )
        .join(work.treatments.select("_case", "_done"), on="_case", maintain_order="left")
        .with_columns(pl.when("_done").then(pl.col("filling_extent_mm", "filling_voids"))),
        "instrument_uses": work.uses.with_columns(started_at=pl.when(~pl.col("_untimed")).then(_clock("_begin"))),
        "instruments": work.instruments,
        "incidents": incidents(seed, work),
        "follow_ups": recalls,
        "contacts": contacts(seed, work),
    }
    records = {kind: frames[kind].select(columns) for kind, columns in layouts.COLUMNS.items()}
    return Practice(records, latent, work.uses, work.canals, work.visits)


def _clock(column: str) -> pl.Expr:
    return pl.from_epoch(column, "s").cast(pl.Datetime("us"))


def generate(
    out: Path,
    seed: int = SEED,
    treatments: int = 2500,
    faults: bool = True,
    layout: Literal["demo", "canonical"] = "demo",
) -> Made:
    """Write the exports into `out` (made if need be; files of the same names are replaced).

    `layout="demo"`: out/chairside/ in our headers, out/frontdesk/ and out/recalls.xlsx in another system's, about one
    row in a hundred faulty, with canalwise.toml and frontdesk.toml. `layout="canonical"`: out/<kind>.csv for all kinds
    in our headers, valid rows only, with canalwise.toml.
    """
    out = Path(out)
    out.mkdir(parents=True, exist_ok=True)
    records = practice(seed, treatments).records
    if layout == "canonical":
        written = write_canonical(out, records)
        _settings(out, "canalwise.toml")
        return Made(out, written, {kind: frame.height for kind, frame in records.items()})
    exports = plant(seed, records) if faults else plant(seed, records, ())
    written = {kind: _write_demo(out, kind, text) for kind, text in exports.text.items()}
    _settings(out, "canalwise.toml")
    _settings(out, "frontdesk.toml")
    return Made(out, written, {kind: text.height for kind, text in exports.text.items()}, exports.planted)


def _write_demo(out: Path, kind: str, text: pl.DataFrame) -> Path:
    """One kind into the file of the system that keeps it."""
    ragged, rows = text[RAGGED], text.drop(RAGGED)
    if kind in layouts.CHAIRSIDE:
        path = out / "chairside" / f"{kind}.csv"
        layouts.write_text(path, rows, ragged)
    elif kind in layouts.FRONT_DESK:
        path = out / "frontdesk" / layouts.FRONT_DESK[kind]
        layouts.write_text(path, layouts.headers(kind, rows), ragged, separator=";", encoding="cp1252", newline="\r\n")
    else:
        path = out / layouts.WORKBOOK
        layouts.write_workbook(path, layouts.headers(kind, rows))
    return path


def write_canonical(out: Path, records: dict[str, pl.DataFrame]) -> dict[str, Path]:
    """All kinds as UTF-8 comma files with our headers."""
    paths = {kind: Path(out) / f"{kind}.csv" for kind in records}
    for kind, frame in records.items():
        layouts.as_text(frame).write_csv(paths[kind], quote_style="necessary")
    return paths


def _settings(out: Path, name: str) -> None:
    with as_file(files("demo_data").joinpath(name)) as source:
        shutil.copyfile(source, out / name)


def main() -> None:
    import argparse

    parser = argparse.ArgumentParser(description="Write the invented practice's exports.")
    parser.add_argument("out", type=Path)
    parser.add_argument("--treatments", type=int, default=2500)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--layout", choices=("demo", "canonical"), default="demo")
    parser.add_argument("--no-faults", action="store_true")
    given = parser.parse_args()
    made = generate(given.out, given.seed, given.treatments, not given.no_faults, given.layout)
    for kind, path in made.files.items():
        print(f"{made.rows[kind]:>8} {kind:<16} {path}")


if __name__ == "__main__":
    main()
