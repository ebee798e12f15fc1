"""Where a page's files lie, and under which names."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from pathlib import Path

from pipeline.output.private import folder, write
from pipeline.output.text import csv_text
from reports.blocks import Page


def write_files(page: Page, out: Path) -> list[Path]:
    """The CSV files of a page in figures/<page>/; files of an earlier rendering of it go."""
    target = folder(out / "figures" / page.stem)
    for old in target.glob("*.csv"):
        old.unlink()
    written = []
    for _, file in page.filed:
        lines = ([row.get(column) for column in file.columns] for row in file.rows)
        written.append(write(target / f"{file.name}.csv", csv_text(file.columns, lines)))
    return written


def stems(reader: str, persons: Iterable[str]) -> dict[str, str]:
    """File names for persons' pages: `outcomes-D2`; an id that is no plain name, or clashes, gets a short digest."""
    known = sorted(persons)
    plainly = {d: re.sub(r"[^A-Za-z0-9_-]+", "-", d).strip("-")[:40] for d in known}
    folded = [plainly[d].casefold() for d in known]
    out = {}
    for d in known:
        name = plainly[d]
        if not name or name != d or folded.count(name.casefold()) > 1:
            digest = hashlib.blake2b(d.encode("utf-8", "surrogatepass"), digest_size=4).hexdigest()
            name = f"{name}-{digest}" if name else digest
        out[d] = f"{reader}-{name}"
    return out
