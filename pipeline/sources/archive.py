"""Exports inside .gz and .zip files, read without being written to disk."""

from __future__ import annotations

import gzip
import lzma
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import IO

from pipeline.errors import UserError
from pipeline.sources.pool import CHUNK, OnDisk

ARCHIVE = (".gz", ".zip")
_LARGEST = 1 << 30  # bytes unpacked; a small archive can hold terabytes of zeros
# What the unpackers raise. OSError: BadGzipFile, and what bz2 and a failing disk say.
_DAMAGED = (
    OSError,
    zipfile.BadZipFile,
    EOFError,
    zlib.error,
    lzma.LZMAError,
    NotImplementedError,  # another way of packing
    ValueError,
    KeyError,
)


@dataclass(frozen=True)
class Member:
    """One file of an archive; `inside` is None in a .gz, which holds just one."""

    packed: OnDisk
    inside: str | None
    directory: Directory | None = field(default=None, compare=False, repr=False)  # of a .zip

    @property
    def archive(self) -> Path:
        return self.packed.path

    @property
    def name(self) -> str:
        """As it is stored with records and printed: june.zip/visits.csv, visits.csv.gz."""
        return self.archive.name if self.inside is None else f"{self.archive.name}/{self.inside}"

    @property
    def suffix(self) -> str:
        return PurePosixPath(self.archive.stem if self.inside is None else self.inside).suffix

    def __str__(self) -> str:
        return str(self.archive) if self.inside is None else f"{self.archive}/{self.inside}"

    def read_bytes(self) -> bytes:
        """The unpacked bytes; a UserError for a damaged, locked or monstrous archive."""
        return b"".join(self.chunks())

    def chunks(self) -> Iterator[bytes]:
        """The same bytes, unpacked piece by piece; those before a damage come first."""
        size = 0
        try:
            with self._unpacked() as file:
                while piece := file.read(CHUNK):
                    size += len(piece)
                    if size > _LARGEST:
                        break
                    yield piece
        except FileNotFoundError:
            raise UserError("no such file", where=str(self), do="Check the path") from None
        except _DAMAGED as e:
            raise UserError(f"the archive is damaged ({e})", where=str(self), do="Pack it again") from None
        except RuntimeError:  # how zipfile says that a member is encrypted
            raise UserError("the archive is locked by a password", where=str(self), do="Unpack it first") from None
        if size > _LARGEST:
            raise UserError("unpacks to more than 1 GB", where=str(self), do="Unpack it and import the parts")

    def _unpacked(self) -> gzip.GzipFile | IO[bytes]:
        if self.inside is None or self.directory is None:
            return gzip.GzipFile(fileobj=self.packed.stream())
        return self.directory.open().open(self.inside)


class Directory:
    """What a .zip says that it holds: read once for all of its members."""

    def __init__(self, packed: OnDisk) -> None:
        self._packed = packed
        self._zip: zipfile.ZipFile | None = None

    def open(self) -> zipfile.ZipFile:
        """The archive, not to be closed."""
        stream = self._packed.stream()
        if self._zip is None or self._zip.fp is not stream:
            self._zip = zipfile.ZipFile(stream)
        return self._zip


def members(packed: OnDisk) -> list[Member]:
    """The files of an archive, in order of name; folders and what a system leaves behind are not counted."""
    archive = packed.path
    if archive.suffix.lower() == ".gz":
        return [Member(packed, None)]
    directory = Directory(packed)
    try:
        entries = directory.open().infolist()
        if not all(entry.filename for entry in entries):
            raise zipfile.BadZipFile("one of its files has no name")
        names = [entry.filename for entry in entries if not entry.is_dir()]
    except OSError as e:
        raise UserError(f"the file cannot be read ({e.strerror})", where=str(archive), do="Check the path") from None
    except _DAMAGED as e:
        raise UserError(f"the archive is damaged ({e})", where=str(archive), do="Pack it again") from None
    twice = next((name for name, times in Counter(names).items() if times > 1), None)
    if twice:
        raise UserError(f"holds {twice} twice, of which only one could be read", where=str(archive), do="Pack it again")
    return [Member(packed, name, directory) for name in sorted(names) if not name.startswith("__MACOSX/")]
