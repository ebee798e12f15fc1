"""Asking R: data sets written as CSV, one Rscript a subject that answers for all, both answers side by side.

A script in r/ writes `set, figure, i, value`; what it leaves out R cannot compute. Our own answers have the same shape:
by set and figure, one number or several, None or NaN where not estimable.
"""

from __future__ import annotations

import math
import os
import shutil
import subprocess
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

SCRIPTS = Path(__file__).parent / "r"
COLUMNS = ("subject", "numbers compared", "largest difference", "allowed")
PACKAGES = ("survival", "cmprsk", "survey", "sandwich", "geepack")

Answers = dict[tuple[int, str], np.ndarray]


def _run(*arguments: str) -> str:
    done = subprocess.run(
        ["Rscript", "--vanilla", *arguments],
        cwd=SCRIPTS,
        env=os.environ | {"OMP_NUM_THREADS": "1", "LC_ALL": "C"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def lacking() -> str:
    """What is not there of R and its packages (Debian: r-base-core, r-cran-NAME), in words; empty if all is."""
    if shutil.which("Rscript") is None:
        return "Rscript"
    names = ", ".join(f'"{name}"' for name in PACKAGES)
    return _run("-e", f"cat(Filter(function(p) !nzchar(system.file(package = p)), c({names})))").strip()


def ask(script: str, folder: Path, **tables: pl.DataFrame) -> Answers:
    """What r/SCRIPT answers for these tables, each with a column `set`: values by (set, figure); NaN is R's NA."""
    for name, table in tables.items():
        table.write_csv(folder / f"{name}.csv")
    _run(script, str(folder))
    told = pl.read_csv(folder / "answers.csv", null_values="NA", schema_overrides={"value": pl.Float64})
    return {
        (set_, figure): part.sort("i")["value"].fill_null(math.nan).to_numpy()
        for (set_, figure), part in told.group_by(["set", "figure"])
    }


@dataclass
class Compared:
    """How many numbers of a figure were compared, and the largest difference, relative above 1."""

    numbers: int = 0
    largest: float = 0.0
    tolerance: float = 0.0


@dataclass
class Ledger:
    """What has been compared, by figure ('subject.figure')."""

    figures: dict[str, Compared] = field(default_factory=dict)

    def hold(
        self,
        theirs: Answers,
        ours: Mapping[int, Mapping[str, Any]],
        least: Mapping[str, int],
        tolerance: Mapping[str, float],
    ) -> None:
        """Assert that ours are R's: every figure that R answered, within the tolerance of its name or subject.

        Of each of our subjects at least `least` numbers must have been compared, so that none falls silent.
        """
        counted, wrong = dict.fromkeys((figure.split(".")[0] for of in ours.values() for figure in of), 0), []
        for (set_, figure), answer in sorted(theirs.items()):
            found = np.atleast_1d(np.array(ours[set_][figure], dtype=float)).ravel()
            assert found.shape == answer.shape, f"set {set_}, {figure}: {found} but R {answer}"
            subject = figure.split(".")[0]
            allowed = tolerance.get(figure, tolerance.get(subject, 1e-9))
            known = np.isfinite(answer)
            off = np.abs(found[known] - answer[known]) / np.maximum(np.abs(answer[known]), 1)
            if np.any(np.isfinite(found) != known) or not bool(np.all(off <= allowed)):
                wrong.append(f"set {set_}, {figure}: {found} but R {answer}")
            so_far = self.figures.setdefault(figure, Compared())
            so_far.numbers += answer.size
            so_far.largest = max(so_far.largest, float(off.max(initial=0.0)))
            so_far.tolerance = allowed
            counted[subject] += answer.size
        assert not wrong, f"{len(wrong)} of {len(theirs)} differ:\n" + "\n".join(wrong[:10])
        silent = {subject: n for subject, n in counted.items() if n < least[subject]}
        assert not silent, f"too few numbers were compared: {silent}"

    @property
    def numbers(self) -> str:
        """How many numbers were compared."""
        return f"{sum(c.numbers for c in self.figures.values()):,}"

    def lines(self, subjects: Mapping[str, str]) -> list[tuple[str, ...]]:
        """A line a subject with COLUMNS; `subjects` names them by what stands before a figure's point."""
        lines = []
        for key, title in subjects.items():
            own = [c for name, c in self.figures.items() if name.split(".")[0] == key]
            if own:
                largest = max(own, key=lambda c: c.largest / c.tolerance)
                numbers = f"{sum(c.numbers for c in own):,}"
                lines.append((title, numbers, f"{largest.largest:.0e}", f"{largest.tolerance:.0e}"))
        lines.append(("together", self.numbers, "", ""))
        return lines


def together(sets: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """Data sets, each columns of one length (a single number stands for all), as one table with their number."""
    frames = [pl.DataFrame({"set": i, **data}) for i, data in enumerate(sets)]
    return pl.concat(frames, how="vertical_relaxed")


def each(table: pl.DataFrame, compute: Callable[[dict[str, np.ndarray]], dict[str, Any]]) -> dict[int, dict[str, Any]]:
    """Our answers for every set of a table: `compute` gets its columns as arrays and gives figures by name."""
    return {
        int(set_): compute({name: part[name].to_numpy() for name in part.columns})
        for (set_,), part in table.group_by("set", maintain_order=True)
    }
