"""Writing pages and their figures: private files, safe names, cells that no spreadsheet takes for a formula."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
import tempfile
from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import Any

from reports.blocks import File, Page
from reports.words import plain

_PRIVATE_FILE, _PRIVATE_FOLDER = 0o600, 0o700
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")  # the last four: full-width forms


def folder(path: Path) -> Path:
    """The folder, made for the owner alone if it does not exist; one that exists keeps its permissions."""
    missing = []
    at = path
    while not at.exists():
        missing.append(at)
        at = at.parent
    for each in reversed(missing):
        each.mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
        each.chmod(_PRIVATE_FOLDER)  # whatever the umask
    return path


def write(path: Path, content: str | bytes) -> Path:
    """Write a whole file or none, readable by the owner alone; text as UTF-8."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".writing-", suffix=path.suffix)  # 0600 by its nature
    try:
        with os.fdopen(handle, "wb") as f:
            f.write(content if isinstance(content, bytes) else content.encode("utf-8"))
        os.chmod(name, _PRIVATE_FILE)  # noqa: PTH101  # the same on every system
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return path


def write_files(page: Page, out: Path) -> list[Path]:
    """The CSV files of a page in figures/<page>/; files of an earlier rendering of it go."""
    target = folder(out / "figures" / page.stem)
    for old in target.glob("*.csv"):
        old.unlink()
    return [write(target / f"{file.name}.csv", csv_text(file)) for _, file in page.filed]


def csv_text(file: File) -> str:
    """Comma-separated UTF-8 with a header; text that a spreadsheet could run gets an apostrophe before it."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")  # RFC 4180
    writer.writerow([cell(c) for c in file.columns])
    writer.writerows([[cell(row.get(c)) for c in file.columns] for row in file.rows])
    return text.getvalue()


def cell(value: Any) -> Any:
    """One value for CSV: numbers at full precision, dates in ISO 8601, text kept from being a formula."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return "" if value != value else repr(value)
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if isinstance(value, (list, tuple, set)):
        return cell("; ".join(plain(v) for v in value))
    text = str(value).replace("\x00", "")
    return f"'{text}" if text.startswith(_FORMULA) else text


def stems(dentists: Iterable[str]) -> dict[str, str]:
    """File names for dentists' pages: `outcomes-D2`; an id that is no plain name, or clashes, gets a short digest."""
    known = sorted(dentists)
    plainly = {d: re.sub(r"[^A-Za-z0-9_-]+", "-", d).strip("-")[:40] for d in known}
    folded = [plainly[d].casefold() for d in known]
    out = {}
    for d in known:
        name = plainly[d]
        if not name or name != d or folded.count(name.casefold()) > 1:
            digest = hashlib.blake2b(d.encode("utf-8", "surrogatepass"), digest_size=4).hexdigest()
            name = f"{name}-{digest}" if name else digest
        out[d] = f"outcomes-{name}"
    return out
