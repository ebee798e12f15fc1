"""Which files are exports, and which reader takes which."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from pipeline.errors import UserError
from pipeline.sources.archive import ARCHIVE, members
from pipeline.sources.table import Dialect, File, RawTable

TEXT = (".csv", ".tsv", ".txt")
WORKBOOK = (".xlsx", ".xlsm", ".ods")
PARQUET = (".parquet",)
JSON = (".json", ".jsonl", ".ndjson")
DELIMITERS = (",", ";", "\t", "|")


def expand(paths: list[Path]) -> list[File]:
    """The files meant by files and folders, in order of name: a folder or archive stands for the exports in it."""
    files: list[File] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if _by_its_name(p.relative_to(path)) and p.is_file())
            if not inside:
                raise UserError("the folder has no .csv or .xlsx files", where=str(path), do="Check the path")
        elif path.exists():
            inside = [path]
        else:
            raise UserError("no such file or folder", where=str(path), do="Check the path")
        files += [file for p in inside for file in _unpacked(p)]
    return list(dict.fromkeys(files))


def _unpacked(path: Path) -> list[File]:
    if path.suffix.lower() not in ARCHIVE:
        return [path]
    packed = members(path)
    if len(packed) > 1 or packed[0].inside is not None:
        packed = [member for member in packed if _by_its_name(PurePosixPath(str(member.inside)))]
    if not packed:
        raise UserError("the archive has no .csv or .xlsx files", where=str(path), do="Check the path")
    return list(packed)


def _by_its_name(path: PurePosixPath | Path) -> bool:
    """What is hidden, or left by a spreadsheet program beside an open workbook, is nobody's export."""
    suffix = path.suffix.lower()
    known: tuple[str, ...] = (*TEXT, *WORKBOOK, *PARQUET, *JSON, ".zip")
    if suffix == ".gz":
        suffix, known = PurePosixPath(path.stem).suffix.lower(), (*TEXT, *WORKBOOK, *PARQUET, *JSON)
    return suffix in known and not any(part.startswith((".", "~$")) for part in path.parts)


def is_text(file: File) -> bool:
    """Delimited text, as is everything whose name says nothing else."""
    return file.suffix.lower() not in WORKBOOK + PARQUET + JSON


def read(file: File, dialect: Dialect, sheet: str | None = None) -> RawTable:
    """An export as text, every record accounted for."""
    suffix = file.suffix.lower()
    if suffix in WORKBOOK:
        from pipeline.sources.workbook import read_workbook

        return read_workbook(file, sheet)
    if suffix in PARQUET:
        from pipeline.sources.parquet import read_parquet

        return read_parquet(file)
    if suffix in JSON:
        from pipeline.sources.json_records import read_json

        return read_json(file)
    from pipeline.sources.csv import read_csv

    return read_csv(file, dialect)


def sheets(file: File) -> list[str]:
    """The sheets of an export; none unless it is a workbook."""
    if file.suffix.lower() not in WORKBOOK:
        return []
    from pipeline.sources.workbook import sheet_names

    return sheet_names(file)


def header(file: File, dialect: Dialect, sheet: str | None = None) -> tuple[str, ...]:
    """The header of an export, for telling which kind it is."""
    if not is_text(file):
        return read(file, dialect, sheet).header
    from pipeline.sources.csv import read_header

    return read_header(file, dialect)
