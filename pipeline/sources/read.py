"""Which files are exports."""

from __future__ import annotations

import glob
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pipeline.errors import UserError
from pipeline.sources.archive import ARCHIVE, members
from pipeline.sources.csv import DELIMITERS as DELIMITERS
from pipeline.sources.formats import JSON, PARQUET, TEXT, WORKBOOK
from pipeline.sources.pool import Pool
from pipeline.sources.source import open_source as open_source
from pipeline.sources.table import Dialect, File, Knows, RawTable
from pipeline.sources.unread import LeftOut, nothing_read, unread


@dataclass(frozen=True)
class Found:
    """The exports that paths stand for, and what stands beside them that cannot be read."""

    files: list[File]
    left: list[LeftOut]


def expand(paths: list[Path]) -> list[File]:
    """The files of `find`; a UserError where there are none."""
    found = find(paths)
    if not found.files:
        raise nothing_read(found.left)
    return found.files


def find(paths: list[Path], pool: Pool | None = None) -> Found:
    """The files meant by files, folders and globs, in order of name.

    A folder or archive stands for the exports in it. A path that does not exist and holds * ? or [ is a glob (** for
    folders in folders) and stands for what it matches: the exports if it matches any, else whatever it matches. A
    UserError for a path that stands for nothing at all; what is damaged, or of a format that is not read, is left out.
    Archives are opened in `pool`, in which their members are to be read.
    """
    pool = pool or Pool()
    files: list[File] = []
    left: list[LeftOut] = []
    for path in paths:
        if path.is_dir():
            inside, others = _in_folder(path)
            if not inside and not others:
                raise UserError("the folder has no .csv or .xlsx files", where=str(path), do="Check the path")
            left += others
        elif path.exists():
            inside = [path]
        elif any(sign in str(path) for sign in "*?["):
            inside, others = _matching(path)
            left += others
        else:
            raise UserError("no such file or folder", where=str(path), do="Check the path")
        for p in inside:
            try:
                unpacked, others = _unpacked(p, pool)
            except UserError as e:
                pool.file(p).close()
                left.append(LeftOut(str(p), e))
            else:
                files += unpacked
                left += others
    return Found(list(dict.fromkeys(files)), list({one.file: one for one in left}.values()))


def _in_folder(folder: Path) -> tuple[list[Path], list[LeftOut]]:
    there = [p for p in sorted(folder.rglob("*")) if _visible(p.relative_to(folder)) and p.is_file()]
    others = [unread(str(p), p.suffix) for p in there if not _is_export(p)]
    return [p for p in there if _is_export(p)], [one for one in others if one]


def _matching(pattern: Path) -> tuple[list[Path], list[LeftOut]]:
    # Path.glob would take neither an absolute pattern nor, before Python 3.13, a ** within a name.
    found = [Path(p) for p in sorted(glob.glob(str(pattern), recursive=True))]  # noqa: PTH207
    exports = [p for p in found if p.is_file() and _visible(PurePosixPath(p.name)) and _is_export(p)]
    left: list[LeftOut] = []
    for folder in (p for p in found if p.is_dir()):
        inside, others = _in_folder(folder)
        exports += inside
        left += others
    named = list(dict.fromkeys(exports)) or [p for p in found if p.is_file()]
    if not named and not left:
        raise UserError("no export matches this pattern", where=str(pattern), do="Check the pattern")
    return named, left


def _unpacked(path: Path, pool: Pool) -> tuple[list[File], list[LeftOut]]:
    if path.suffix.lower() not in ARCHIVE:
        return [path], []
    packed = members(pool.file(path))
    if len(packed) == 1 and packed[0].inside is None:
        return list(packed), []
    files: list[File] = []
    left: list[LeftOut | None] = []
    for member in packed:
        inside = PurePosixPath(str(member.inside))
        if not _visible(inside):
            continue
        if member.suffix.lower() in ARCHIVE:
            what = UserError("is an archive inside an archive", where=str(member), do="Unpack the outer one first")
            left.append(LeftOut(str(member), what))
        elif _is_export(inside):
            files.append(member)
        else:
            left.append(unread(str(member), member.suffix))
    if not files and not any(left):
        raise UserError("the archive has no .csv or .xlsx files", where=str(path), do="Check the path")
    return files, [one for one in left if one]


def _visible(path: PurePosixPath | Path) -> bool:
    """What is hidden, or left by a spreadsheet program beside an open workbook, is nobody's export."""
    return not any(part.startswith((".", "~$")) for part in path.parts)


def _is_export(path: PurePosixPath | Path) -> bool:
    """By its name."""
    suffix = path.suffix.lower()
    known: tuple[str, ...] = (*TEXT, *WORKBOOK, *PARQUET, *JSON, ".zip")
    if suffix == ".gz":
        suffix, known = PurePosixPath(path.stem).suffix.lower(), (*TEXT, *WORKBOOK, *PARQUET, *JSON)
    return suffix in known


def read(file: File, dialect: Dialect, sheet: str | None = None, knows: Knows | None = None) -> RawTable:
    """A table of an export that is opened for it alone: see `Source.table`."""
    with Pool() as pool:
        return open_source(file, pool).table(dialect, sheet, knows).read()
