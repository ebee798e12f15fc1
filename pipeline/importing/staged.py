"""The typed records of one file between reading and the store: as a relation that DuckDB reads as often as it likes.

A few are in memory. Many are in a file in the folder where DuckDB spills beside the store: so a file larger than the
memory can be imported. What a killed run leaves there is removed when the store is next opened to write.
"""

from __future__ import annotations

import contextlib
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import UserError

if TYPE_CHECKING:
    import duckdb
    import polars as pl

IN_MEMORY = 128 << 20  # bytes of records; more go into a file
_BATCH = 131_072  # rows of it that are one after another in memory


class Staged:
    """Records are added piece by piece, all with the same columns; they come back in that order."""

    def __init__(self, folder: Path | None) -> None:
        """`folder` is where a file may be made; None keeps everything in memory."""
        self._folder = folder
        self._tables: list[Any] = []
        self._size = 0
        self._path: Path | None = None
        self._writer: Any = None

    def add(self, records: pl.DataFrame) -> None:
        table = records.to_arrow()
        try:
            if self._writer is not None:
                self._writer.write_table(table, _BATCH)
                return
            self._tables.append(table)
            self._size += table.nbytes
            if self._size > IN_MEMORY and self._folder is not None:
                self._spill(self._folder)
        except OSError as e:
            what = f"records cannot be kept beside the store while they are read ({e.strerror or e})"
            do = "Free some space, or see to it that you may write there"
            raise UserError(what, where=str(self._folder), do=do) from None

    def _spill(self, folder: Path) -> None:
        import pyarrow as pa

        folder.mkdir(mode=0o700, exist_ok=True)
        self._path = folder / f"records-{uuid.uuid4().hex}.arrow"
        self._writer = pa.ipc.new_file(str(self._path), self._tables[0].schema)
        for table in self._tables:
            self._writer.write_table(table, _BATCH)
        self._tables.clear()

    def relation(self) -> Any:
        """What DuckDB registers: an Arrow table. Nothing is added any more.

        Of a file, pages come into memory as they are looked at, and leave it when others need the room.
        """
        import pyarrow as pa

        if self._path is None:
            return pa.concat_tables(self._tables)
        self._end()
        with pa.memory_map(str(self._path)) as file, pa.ipc.open_file(file) as batches:
            return batches.read_all()

    def changed(self, change: Callable[[pl.DataFrame], pl.DataFrame]) -> Staged:
        """The records as `change` makes them, piece by piece, in place of these."""
        new = Staged(self._folder)
        try:
            for piece in self._pieces():
                new.add(change(piece))
        except BaseException:
            new.close()
            raise
        self.close()
        return new

    def _pieces(self) -> Iterator[pl.DataFrame]:
        import polars as pl
        import pyarrow as pa

        if self._path is None:
            yield from (pl.DataFrame(table) for table in self._tables)
            return
        self._end()
        with pa.OSFile(str(self._path)) as file, pa.ipc.open_file(file) as batches:
            for number in range(batches.num_record_batches):
                yield pl.DataFrame(batches.get_batch(number))

    def _end(self) -> None:
        if self._writer is not None:
            self._writer.close()
            self._writer = None

    def close(self) -> None:
        """Forget the records; the file goes, and its folder unless something else is in it."""
        self._tables.clear()
        if self._path is not None:
            self._end()
            self._path.unlink(missing_ok=True)
            with contextlib.suppress(OSError):
                self._path.parent.rmdir()


def spill_folder(connection: duckdb.DuckDBPyConnection) -> Path | None:
    """Where DuckDB spills for the store of this connection; None where that is in memory."""
    found = connection.execute(
        "select current_setting('temp_directory') from duckdb_databases() "
        "where database_name = current_database() and path is not null"
    ).fetchone()
    return Path(found[0]) if found and found[0] else None
