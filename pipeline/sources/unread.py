"""Files that are not read: what each is, by its ending, and how what stands in it can be had."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pipeline.errors import UserError

_SAVE = "Save it as .xlsx or .csv"
_EXPORT = "Export its table as .csv or .xlsx"
_THINGS = {
    (".pdf",): ("a PDF document", "Export the list behind it as .csv or .xlsx"),
    (".xls", ".xlsb", ".xlt", ".numbers", ".sxc"): ("a workbook of another format", "Save it as .xlsx"),
    (".doc", ".docx", ".odt", ".rtf", ".pages"): ("a text document", "Copy its table into an .xlsx"),
    (".htm", ".html", ".xml", ".xhtml", ".mht"): ("a page or XML", _EXPORT),
    (".mdb", ".accdb", ".db", ".sqlite", ".sqlite3", ".dbf", ".fdb", ".bak", ".sql"): ("a database", _EXPORT),
    (".sav", ".dta", ".sas7bdat", ".rds", ".feather", ".arrow", ".avro", ".orc"): ("a table of another format", _SAVE),
    (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".gif", ".bmp", ".heic", ".dcm"): ("a picture", "Leave it out"),
    (".7z", ".rar", ".tar", ".tgz", ".bz2", ".xz", ".zst"): ("an archive of another format", "Pack it as .zip"),
}  # fmt: skip
# What the program itself, or a system, puts beside exports.
_NO_EXPORT = (".toml", ".duckdb", ".wal", ".key", ".tmp", ".lnk", ".url", ".ini")


@dataclass(frozen=True)
class LeftOut:
    """A file that was not imported, by the name that it has on the command line, and why.

    `by_name`: nobody tried to read it.
    """

    file: str
    error: UserError
    by_name: bool = False

    def as_json(self) -> dict[str, Any]:
        return {"file": self.file, "reason": self.error.what, "do": self.error.do}


def unread(name: str, suffix: str) -> LeftOut | None:
    """Why a file in a folder or archive is not read; None for what nobody would take for an export."""
    ending = suffix.lower()
    if ending in _NO_EXPORT or name.endswith("/Thumbs.db"):
        return None
    for endings, (thing, do) in _THINGS.items():
        if ending in endings:
            return LeftOut(name, UserError(f"is {thing}, which is not read", where=name, do=do), by_name=True)
    what = f"ends in {ending}, which is not read" if ending else "has no ending that tells what it is"
    return LeftOut(name, UserError(what, where=name, do=_SAVE), by_name=True)


def nothing_read(left: list[LeftOut]) -> UserError:
    """The one error where nothing could be imported."""
    if len(left) == 1:
        return left[0].error
    shown = "; ".join(f"{one.file} {_said(one.error)}" for one in left[:5])
    more = f"; and {len(left) - 5} more" if len(left) > 5 else ""
    return UserError(f"none of the {len(left)} files there can be imported: {shown}{more}")


def _said(error: UserError) -> str:
    whole = ("is ", "ends ", "has ", "holds ", "fits ", "lacks ", "unpacks ", "none ")
    what = error.what if error.what.startswith(whole) else f"- {error.what} -"
    return f"{what} ({error.do[0].lower()}{error.do[1:]})" if error.do else what
