"""The answer book: what every measure says of two practices, alone and by group, as it was when the book was written.

A change that is to move no figure is held against it. Where a figure is meant to change the book is written anew, and
its commit says which changed and why:

    python -m tests.answers.book              # what differs from the book
    python -m tests.answers.book --write      # write it anew, and say what changed
"""

from __future__ import annotations

import argparse
import gzip
import json
import math
import tempfile
from pathlib import Path
from typing import Any

from pipeline.errors import UserError
from pipeline.measures.catalogue import catalogue
from pipeline.measures.run import Workspace
from pipeline.settings import load_settings
from pipeline.store.database import open_store

from .practices import PRACTICES, Made

HERE = Path(__file__).parent
BY: tuple[tuple[str, ...], ...] = ((), ("sequence",), ("dentist",), ("tooth_type",), ("month",))
OF_THE_RUN = {"loaded_at"}  # what is another one in every store
CLOSE = 1e-6  # relative: figures are kept to nine digits, and sums in another order end in other last digits

Answer = dict[str, Any]
Book = dict[str, Answer]


def answers(made: Made) -> Book:
    """Every measure of the catalogue over a practice's store, by each group of BY; an error is an answer too."""
    book: Book = {}
    with open_store(made.store) as store:
        workspace = Workspace(store, load_settings(made.settings))
        for name in catalogue():
            for by in BY:
                try:
                    found = workspace.compute(name, by)
                    rows = [{k: v for k, v in row.items() if k not in OF_THE_RUN} for row in found.rows]
                    answer: Answer = {"rows": rows, "left_out": found.left_out}
                except UserError as e:
                    answer = {"error": e.what}
                book[" by ".join([name, *by])] = json.loads(json.dumps(answer, default=str), parse_float=_nine_digits)
    return book


def _nine_digits(text: str) -> float:
    return float(f"{float(text):.9g}")


def path_of(practice: str) -> Path:
    return HERE / f"{practice}.json.gz"


def kept(practice: str) -> Book:
    """The book of a practice as it was written."""
    book: Book = json.loads(gzip.decompress(path_of(practice).read_bytes()))
    return book


def write(practice: str, book: Book) -> None:
    """Write the book of a practice; the same book gives the same bytes."""
    text = "{\n" + ",\n".join(f"{json.dumps(key)}: {_line(book[key])}" for key in sorted(book)) + "\n}\n"
    path_of(practice).write_bytes(gzip.compress(text.encode(), mtime=0))


def _line(answer: Answer) -> str:
    return json.dumps(answer, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def differences(old: Book, new: Book) -> list[str]:
    """What differs, a line a figure: question, row, name, old and new."""
    lines = [f"{key}: not asked any more" for key in sorted(old.keys() - new.keys())]
    lines += [f"{key}: not in the book" for key in sorted(new.keys() - old.keys())]
    for key in sorted(old.keys() & new.keys()):
        lines += [f"{key}{place}: {a!r} -> {b!r}" for place, a, b in _unlike(old[key], new[key])]
    return lines


def _unlike(a: Any, b: Any, place: str = "") -> list[tuple[str, Any, Any]]:
    if isinstance(a, dict) and isinstance(b, dict):
        return [d for k in sorted(a.keys() | b.keys()) for d in _unlike(a.get(k), b.get(k), f"{place} {k}")]
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        return [d for i, (x, y) in enumerate(zip(a, b, strict=True)) for d in _unlike(x, y, f"{place} {i}")]
    if isinstance(a, float | int) and isinstance(b, float | int) and math.isclose(a, b, rel_tol=CLOSE, abs_tol=1e-9):
        return []
    return [] if a == b else [(place, a, b)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("practices", nargs="*", default=sorted(PRACTICES), help=f"of {', '.join(sorted(PRACTICES))}")
    parser.add_argument("--write", action="store_true", help="write the books anew")
    parser.add_argument("--lines", type=int, default=40, help="how many differences to print of each")
    wanted = parser.parse_args()
    for practice in wanted.practices:
        with tempfile.TemporaryDirectory() as folder:
            new = answers(PRACTICES[practice](Path(folder)))
        unlike = differences(kept(practice), new) if path_of(practice).exists() else ["no book yet"]
        print(f"{practice}: {len(new)} answers, {len(unlike)} differences", *unlike[: wanted.lines], sep="\n  ")
        if wanted.write:
            write(practice, new)


if __name__ == "__main__":
    main()
