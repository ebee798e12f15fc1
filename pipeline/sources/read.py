"""Which files are exports, and which reader takes which."""

from __future__ import annotations

import glob
from pathlib import Path, PurePosixPath

from pipeline.errors import UserError
from pipeline.sources.archive import ARCHIVE, members
from pipeline.sources.csv import DELIMITERS as DELIMITERS
from pipeline.sources.table import Dialect, File, Knows, RawTable

TEXT = (".csv", ".tsv", ".txt")
WORKBOOK = (".xlsx", ".xlsm", ".ods")
PARQUET = (".parquet",)
JSON = (".json", ".jsonl", ".ndjson")


def expand(paths: list[Path]) -> list[File]:
    """The files meant by files, folders and globs, in order of name.

    A folder or archive stands for the exports in it. A path that does not exist and holds * ? or [ is a glob (** for
    folders in folders) and stands for what it matches: the exports if it matches any, else whatever it matches.
    """
    files: list[File] = []
    for path in paths:
        if path.is_dir():
            inside = _exports_in(path)
            if not inside:
                raise UserError("the folder has no .csv or .xlsx files", where=str(path), do="Check the path")
        elif path.exists():
            inside = [path]
        elif any(sign in str(path) for sign in "*?["):
            inside = _matching(path)
        else:
            raise UserError("no such file or folder", where=str(path), do="Check the path")
        files += [file for p in inside for file in _unpacked(p)]
    return list(dict.fromkeys(files))


def _exports_in(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if _by_its_name(p.relative_to(folder)) and p.is_file())


def _matching(pattern: Path) -> list[Path]:
    # Path.glob would take neither an absolute pattern nor, before Python 3.13, a ** within a name.
    found = [Path(p) for p in sorted(glob.glob(str(pattern), recursive=True))]  # noqa: PTH207
    exports = [p for p in found if p.is_file() and _by_its_name(PurePosixPath(p.name))]
    exports += [inside for p in found if p.is_dir() for inside in _exports_in(p)]
    named = list(dict.fromkeys(exports)) or [p for p in found if p.is_file()]
    if not named:
        raise UserError("no export matches this pattern", where=str(pattern), do="Check the pattern")
    return named


def _unpacked(path: Path) -> list[File]:
    if path.suffix.lower() not in ARCHIVE:
        return [path]
    packed = members(path)
    if len(packed) > 1 or packed[0].inside is not None:
        packed = [member for member in packed if _by_its_name(PurePosixPath(str(member.inside)))]
    if not packed:
        raise UserError("the archive has no .csv or .xlsx files", where=str(path), do="Check the path")
    within = next((member for member in packed if member.suffix.lower() in ARCHIVE), None)
    if within:
        raise UserError("is an archive inside an archive", where=str(within), do="Unpack the outer one first")
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


def read(file: File, dialect: Dialect, sheet: str | None = None, knows: Knows | None = None) -> RawTable:
    """An export as text, every record accounted for.

    `knows` says of cells whether they are the header that is looked for, see `Dialect`; a text file whose delimiter is
    None needs it (else ValueError). Parquet and JSON have their own header.
    """
    suffix = file.suffix.lower()
    if suffix in WORKBOOK:
        from pipeline.sources.workbook import read_workbook

        return read_workbook(file, sheet, dialect, knows)
    if suffix in PARQUET:
        from pipeline.sources.parquet import read_parquet

        return read_parquet(file)
    if suffix in JSON:
        from pipeline.sources.json_records import read_json

        return read_json(file, dialect.encoding)
    from pipeline.sources.csv import read_csv

    return read_csv(file, dialect, knows)


def sheets(file: File) -> list[str]:
    """The sheets of an export; none unless it is a workbook."""
    if file.suffix.lower() not in WORKBOOK:
        return []
    from pipeline.sources.workbook import sheet_names

    return sheet_names(file)


def header(file: File, dialect: Dialect, sheet: str | None = None, knows: Knows | None = None) -> tuple[str, ...]:
    """The header of an export, for telling which kind it is: that of `read`, found the same way."""
    if file.suffix.lower() in WORKBOOK:
        from pipeline.sources.workbook import read_header as header_of_sheet

        return header_of_sheet(file, sheet, dialect, knows)
    if not is_text(file):
        return read(file, dialect, sheet).header
    from pipeline.sources.csv import read_header

    return read_header(file, dialect, knows)
