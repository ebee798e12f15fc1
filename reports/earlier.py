"""What was known before the last import, so that a page can tell which figures it changed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta

from reports.source import Source


@dataclass(frozen=True)
class Earlier:
    """The store as it was known before the import of `day`: `source` answers from it, its records end on `reach`."""

    source: Source
    day: date
    reach: date


@contextmanager
def before_last_import(source: Source) -> Iterator[Earlier | None]:
    """The store of `source` without its last import, as of the same day; None where that was the first.

    Facts are made a second time, on a cursor of their own: open it only if something was corrected.
    """
    from pipeline.facts.prepare import data_date
    from pipeline.measures.run import Workspace
    from pipeline.store.known import last_import

    now = source.workspace
    last = last_import(now.connection, now.settings.time_zone)
    if last is None:
        yield None
        return
    with now.connection.cursor() as connection:
        workspace = Workspace(connection, now.settings, as_of=source.as_of, known=last.before)
        reach = data_date(connection) or date.min
        yield Earlier(Source(workspace, source.catalogue, last.day - timedelta(days=1)), last.day, reach)
