"""An export: opened once, it tells its tables, and each of them its header and its rows."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import UserError
from pipeline.sources import pool
from pipeline.sources.archive import Member
from pipeline.sources.formats import JSON, PARQUET, WORKBOOK, is_text
from pipeline.sources.pool import OnDisk, Pool
from pipeline.sources.table import Dialect, File, Knows, Pieces, RawTable

if TYPE_CHECKING:
    from pipeline.sources.csv import Plain
    from pipeline.sources.workbook import Book


def open_source(file: File, within: Pool | None = None) -> Source:
    """An export from a file of the disk or a member of an archive. `within` bounds what many of them take together."""
    within = within or Pool()
    return Source(file if isinstance(file, Member) else within.file(Path(str(file))), within)


class Source:
    """An export. Whatever is asked of it, and whenever, comes from the same bytes, else it is a UserError.

    It is a `File` itself: its readers ask it for its bytes.
    """

    def __init__(self, file: OnDisk | Member, within: Pool) -> None:
        self._file = file
        self._pool = within
        self._known: tuple[str, int] | None = None
        self._digests: list[bytes] = []  # of all bytes up to the end of each chunk
        self._surveys: dict[Table, Plain | None] = {}
        self._book: Book | None = None
        self._last: tuple[Table, RawTable] | None = None

    @property
    def name(self) -> str:
        return self._file.name

    @property
    def suffix(self) -> str:
        return self._file.suffix

    def __str__(self) -> str:
        return str(self._file)

    @property
    def sha256(self) -> str:
        """The hash of its bytes (unpacked, if they are of an archive), as hex digits."""
        return self._identity()[0]

    @property
    def size(self) -> int:
        """How many bytes it has, unpacked."""
        return self._identity()[1]

    def _identity(self) -> tuple[str, int]:
        if self._known is None:
            for _ in self.chunks():
                pass
        assert self._known is not None
        return self._known

    def read_bytes(self) -> bytes:
        """Its bytes: the same each time. A UserError where they cannot be read, or are others than before."""
        data = self._told(self._file.read_bytes)
        self._same(hashlib.sha256(data).hexdigest(), len(data))
        return data

    def chunks(self) -> Iterator[bytes]:
        """The same bytes in pieces, so that a large file need not be in memory; each is as it was the first time."""
        pieces = self._file.chunks()
        digest, size, at = hashlib.sha256(), 0, 0
        while piece := self._told(lambda: next(pieces, b"")):
            digest.update(piece)
            size += len(piece)
            so_far = digest.digest()
            if at == len(self._digests):
                self._digests.append(so_far)
            elif self._digests[at] != so_far:
                raise self._changed()
            at += 1
            yield piece
        self._same(digest.hexdigest(), size)

    def _told(self, read: Callable[[], bytes]) -> bytes:
        """What `read` gives; a UserError where nothing can be read."""
        try:
            return read()
        except OSError as e:
            what = f"the file cannot be read ({e.strerror or e})"
            raise UserError(what, where=str(self), do="Check the path") from None
        except UserError:  # of an archive, which was sound before
            if self._known is None:
                raise
            raise self._changed() from None

    def _same(self, sha256: str, size: int) -> None:
        if self._known not in (None, (sha256, size)):
            raise self._changed()
        self._known = sha256, size

    def _changed(self) -> UserError:
        return UserError("was changed while it was being read", where=str(self), do="Try again when it is complete")

    @property
    def is_text(self) -> bool:
        return is_text(self)

    @property
    def sheets(self) -> list[str]:
        """The names of its sheets, in order; none unless it is a workbook."""
        return list(self.book()) if self._in(WORKBOOK) else []

    def table(self, dialect: Dialect, sheet: str | None = None, knows: Knows | None = None) -> Table:
        """A table of it: that of a sheet (the first when none is named), or all there is. Nothing is read yet.

        `knows` says of cells whether they are the header that is looked for, see `Dialect`; a text file whose delimiter
        is None needs it (else ValueError when it is read). Parquet and JSON have their own header.
        """
        return Table(self, dialect, sheet, knows)

    def book(self) -> Book:
        """The sheets of a workbook, read in one process for all questions as long as there is room for them."""
        from pipeline.sources.workbook import read_book

        if self._book is None:
            self._book = read_book(self)
        self._hold()
        return self._book

    def header(self, table: Table) -> tuple[str, ...]:
        """That of `read`, found the same way; of text and workbooks no row is made for it."""
        if self._in(WORKBOOK):
            from pipeline.sources.workbook import read_header as header_of_sheet

            return header_of_sheet(self, table.sheet, table.dialect, table.knows, self.book())
        if not self.is_text:  # of JSON the columns are the keys of all records; damage of Parquet may be anywhere in it
            return self.read(table).header
        from pipeline.sources.csv import read_header

        plain = self._survey(table)
        return plain.header if plain else read_header(self, table.dialect, table.knows)

    def _survey(self, table: Table) -> Plain | None:
        """Of a text file, whether it is plain."""
        from pipeline.sources.csv import survey

        if table not in self._surveys:
            self._surveys[table] = survey(self, table.dialect, table.knows)
        return self._surveys[table]

    def pieces(self, table: Table) -> RawTable | Pieces:
        """As `read`; but of a large file, if it is plain, the rows are read as they are asked for, each time anew."""
        if self.is_text and self.size > pool.SMALL and (plain := self._survey(table)):
            return plain.pieces(self)
        return self.read(table)

    def read(self, table: Table) -> RawTable:
        """The last table read is kept: several kinds of records may stand in it."""
        if self._last is None or self._last[0] is not table:
            self._last = None
            self._last = table, self._read(table)
        self._hold()
        return self._last[1]

    def _read(self, table: Table) -> RawTable:
        if self._in(WORKBOOK):
            from pipeline.sources.workbook import read_workbook

            return read_workbook(self, table.sheet, table.dialect, table.knows, self.book())
        if self._in(PARQUET):
            from pipeline.sources.parquet import read_parquet

            return read_parquet(self)
        if self._in(JSON):
            from pipeline.sources.json_records import read_json

            return read_json(self, table.dialect.encoding)
        from pipeline.sources.csv import read_csv

        return read_csv(self, table.dialect, table.knows, (self._survey(table),))

    def _in(self, endings: tuple[str, ...]) -> bool:
        return self.suffix.lower() in endings

    def _hold(self) -> None:
        frames = [frame for frame in (self._book or {}).values() if not isinstance(frame, str)]
        frames += [self._last[1].rows] if self._last else []
        self._pool.hold(self, sum(frame.estimated_size() for frame in frames))

    def let_go(self) -> None:
        """Of the tables kept for the next question."""
        self._book = self._last = None

    def close(self) -> None:
        """Nothing more will be asked. An archive stays open for its other members."""
        self._pool.drop(self)
        if isinstance(self._file, OnDisk):
            self._file.close()


@dataclass(frozen=True, eq=False)
class Table:
    """A table of an export, and how it is to be read."""

    source: Source
    dialect: Dialect
    sheet: str | None = None
    knows: Knows | None = None

    @cached_property
    def header(self) -> tuple[str, ...]:
        """For telling which kind it is."""
        return self.source.header(self)

    def read(self) -> RawTable:
        """The table as text, every record accounted for."""
        return self.source.read(self)

    def pieces(self) -> RawTable | Pieces:
        """The same, of a large plain file piece by piece."""
        return self.source.pieces(self)
