"""What commands open: settings, a store to read, the measures' view of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import UserError

if TYPE_CHECKING:
    import duckdb

    from pipeline.measures.run import Workspace
    from pipeline.settings import Settings


def settings_of(path: Path | None) -> Settings:
    from pipeline.settings import load_settings

    return load_settings(path)


@contextmanager
def reading(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    from pipeline.store.database import open_store

    with open_store(store) as connection:
        yield connection


@contextmanager
def writing(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A store that must be there already."""
    from pipeline.store.database import open_store

    if not store.exists():
        raise UserError("there is no store here", where=str(store), do="Import something first: canalwise ingest PATH")
    with open_store(store, write=True) as connection:
        yield connection


@contextmanager
def workspace_of(
    store: Path, settings: Path | None, known_on: dt.date | None = None, as_of: dt.date | None = None
) -> Iterator[Workspace]:
    from pipeline.measures.run import Workspace
    from pipeline.store.known import end_of

    own = settings_of(settings)
    with reading(store) as connection:
        known = end_of(known_on, own.time_zone) if known_on else None
        yield Workspace(connection, own, as_of, known)
