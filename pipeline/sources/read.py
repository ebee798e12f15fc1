"""Which reader takes which file."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import UserError
from pipeline.sources.table import Dialect, RawTable

TEXT = (".csv", ".tsv", ".txt")
WORKBOOK = (".xlsx", ".xlsm")


def expand(paths: list[Path]) -> list[Path]:
    """The files meant by files and folders: a folder stands for the exports in it, in order of name."""
    files: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if _export(p.relative_to(path)) and p.is_file())
            if not inside:
                raise UserError("the folder has no .csv or .xlsx files", where=str(path), do="Check the path")
            files += inside
        elif path.exists():
            files.append(path)
        else:
            raise UserError("no such file or folder", where=str(path), do="Check the path")
    return list(dict.fromkeys(files))


def _export(path: Path) -> bool:
    """By its name: what is hidden, or left by a spreadsheet program beside an open workbook, is nobody's export."""
    return path.suffix.lower() in TEXT + WORKBOOK and not any(part.startswith((".", "~$")) for part in path.parts)


def read(path: Path, dialect: Dialect, sheet: str | None = None) -> RawTable:
    """An export as text, every record accounted for."""
    if path.suffix.lower() in WORKBOOK:
        from pipeline.sources.xlsx import read_xlsx

        return read_xlsx(path, sheet)
    from pipeline.sources.csv import read_csv

    return read_csv(path, dialect)


def sheets(path: Path) -> list[str]:
    """The sheets of an export; none unless it is a workbook."""
    if path.suffix.lower() not in WORKBOOK:
        return []
    from pipeline.sources.xlsx import sheet_names

    return sheet_names(path)


def header(path: Path, dialect: Dialect, sheet: str | None = None) -> tuple[str, ...]:
    """The header of an export, for telling which kind it is."""
    if path.suffix.lower() in WORKBOOK:
        return read(path, dialect, sheet).header
    from pipeline.sources.csv import read_header

    return read_header(path, dialect)
