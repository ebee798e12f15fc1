"""The files of one run: each is opened once, however often it is asked for, and all of them take bounded memory.

Small files are kept whole, up to a total; of the others the handle stays open. Where that would be too many handles, a
file is closed after use and opened again: whoever asks for it a second time must compare (source.py does). All are
asked for in the same order twice, to be recognised and to be loaded; so what gives way is what was asked for last.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Protocol

SMALL = 4 << 20  # bytes of a file that is kept whole
KEPT = 64 << 20  # bytes of all files that are
HANDLES = 64  # open at a time: some systems allow 256, of which the store and libraries need some
TABLES = 256 << 20  # bytes of tables kept for the next question about their files
CHUNK = 8 << 20  # bytes of a large file that are looked at at a time


class Holder(Protocol):
    """Who keeps tables, and can do without."""

    def let_go(self) -> None: ...


class OnDisk:
    """A file of the disk."""

    def __init__(self, path: Path, pool: Pool) -> None:
        self.path = path
        self._stream: BinaryIO | None = None
        self._pool = pool

    @property
    def name(self) -> str:
        return self.path.name

    @property
    def suffix(self) -> str:
        return self.path.suffix

    def __str__(self) -> str:
        return str(self.path)

    def stream(self) -> BinaryIO:
        """Its bytes from the first on, to be used at once and not to be closed; an OSError where it cannot be read."""
        if self._stream is None:
            self._stream = self._pool.opened(self)
        self._stream.seek(0)
        return self._stream

    def read_bytes(self) -> bytes:
        return self.stream().read()

    def chunks(self) -> Iterator[bytes]:
        """The same bytes in pieces of `CHUNK`; whoever reads others of this file in between gets them mixed up."""
        stream = self.stream()
        while piece := _whole(stream, CHUNK):
            yield piece

    def close(self) -> None:
        if self._stream is not None:
            self._pool.forget(self)
            self._stream.close()
            self._stream = None


def _whole(stream: BinaryIO, size: int) -> bytes:
    """The next `size` bytes, fewer only at the end."""
    piece = stream.read(size)
    while len(piece) < size and (more := stream.read(size - len(piece))):
        piece += more
    return piece


class Pool:
    """What is open and what is kept; leaving the context closes all."""

    def __init__(self) -> None:
        self._files: dict[Path, OnDisk] = {}
        self._kept: dict[OnDisk, int] = {}
        self._handles: list[OnDisk] = []
        self._tables: dict[Holder, float] = {}
        self._bytes_kept = 0
        self.bytes_of_tables = 0.0

    def file(self, path: Path) -> OnDisk:
        """The file of that path: the same one each time."""
        return self._files.setdefault(path, OnDisk(path, self))

    def opened(self, file: OnDisk) -> BinaryIO:
        """The bytes of a file, kept whole or by its handle."""
        handle = file.path.open("rb", buffering=0)
        try:
            size = os.fstat(handle.fileno()).st_size
            small = size <= SMALL and self._bytes_kept + size <= KEPT
            if small or not handle.seekable():  # a pipe gives its bytes once
                data = handle.read()
                handle.close()
                self._kept[file] = len(data)
                self._bytes_kept += len(data)
                return io.BytesIO(data)
        except BaseException:
            handle.close()
            raise
        if len(self._handles) >= HANDLES:
            self._handles[-1].close()
        self._handles.append(file)
        return handle

    def forget(self, file: OnDisk) -> None:
        """Count no more what is kept of a file, as it is closed."""
        self._bytes_kept -= self._kept.pop(file, 0)
        if file in self._handles:
            self._handles.remove(file)

    def hold(self, owner: Holder, size: float) -> None:
        """Count what `owner` keeps of tables, in bytes; if that is too much with the others', they let go of theirs."""
        self.bytes_of_tables += size - self._tables.pop(owner, 0)
        self._tables[owner] = size
        while len(self._tables) > 1 and self.bytes_of_tables > TABLES:
            _, before = islice(reversed(self._tables), 2)
            self.drop(before)

    def drop(self, owner: Holder) -> None:
        """Let `owner` let go of its tables."""
        self.bytes_of_tables -= self._tables.pop(owner, 0)
        owner.let_go()

    def close(self) -> None:
        for owner in list(self._tables):
            self.drop(owner)
        for file in self._files.values():
            file.close()

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, _: type[BaseException] | None, __: BaseException | None, ___: TracebackType | None) -> None:
        self.close()
