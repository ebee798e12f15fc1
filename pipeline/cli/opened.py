"""What commands open: a store to read or to write, the settings that go with it, the measures' view of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import UserError

if TYPE_CHECKING:
    import duckdb

    from pipeline.cli.command import Output
    from pipeline.measures.run import Workspace
    from pipeline.settings import Settings
    from pipeline.store.kept_settings import Used


def settings_given(path: Path | None) -> tuple[Settings | None, str]:
    """The settings of a file, given or ./canalwise.toml, and its name; None where there is no such file."""
    from pipeline.settings import load_settings, settings_file

    file = settings_file(path)
    return (load_settings(file), file.name) if file else (None, "")


def settings_used(
    output: Output, connection: duckdb.DuckDBPyConnection, path: Path | None, known_on: dt.date | None = None
) -> Used:
    """The settings to answer with: of a file, else the store's own, else defaults. Says what a user should know of it.

    `known_on` asks for those that the store had on that day.
    """
    from pipeline.store.kept_settings import used
    from pipeline.store.known import end_of

    given, file = settings_given(path)
    found = used(connection, given, file)
    if known_on is not None:
        found = used(connection, given, file, end_of(known_on, found.settings.time_zone))
    if found.remark:
        output.talk(found.remark)
    return found


@contextmanager
def reading(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    from pipeline.checks.across import open_judged

    with open_judged(store) as connection:
        yield connection


@contextmanager
def writing(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A store that must be there already."""
    from pipeline.checks.across import open_judged

    if not store.exists():
        raise UserError("there is no store here", where=str(store), do="Import something first: canalwise ingest PATH")
    with open_judged(store, write=True) as connection:
        yield connection


@contextmanager
def workspace_of(
    output: Output,
    store: Path,
    settings: Path | None,
    known_on: dt.date | None = None,
    as_of: dt.date | None = None,
) -> Iterator[Workspace]:
    from pipeline.measures.run import Workspace
    from pipeline.store.known import end_of

    with reading(store) as connection:
        found = settings_used(output, connection, settings, known_on)
        known = end_of(known_on, found.settings.time_zone) if known_on else None
        yield Workspace(connection, found.settings, as_of, known, settings_from=found.origin)
