"""Facts from small tables of records that a dentist can read, on an empty store in memory."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

from pipeline.facts.prepare import make, prepare, reads, texts
from pipeline.measures.examples import table
from pipeline.settings import Settings
from pipeline.store.database import borrowed

Rows = list[dict[str, Any]]
AS_OF = dt.date(2026, 6, 30)


def make_facts(
    name: str, given: dict[str, str | Rows], as_of: dt.date = AS_OF, settings: dict[str, Any] | None = None
) -> Rows:
    """The rows of the table of facts `name` from these records (text tables, or rows), as known on `as_of`."""
    with borrowed() as connection:
        for kind, records in given.items():
            rows = table(records) if isinstance(records, str) else records
            if rows:
                columns = list(rows[0])
                marks = f"({', '.join('?' * len(columns))}, 'here', 1, 1, 1)"
                connection.execute(
                    f"insert into {kind} ({', '.join(columns)}, practice, source_row, batch_id, record_no) "
                    f"values {', '.join([marks] * len(rows))}",
                    [cell for row in rows for cell in row.values()],
                )
        prepare(connection, Settings.model_validate(settings or {}), as_of)
        make(connection, reads(name) & texts().keys())  # `name` may be a query over facts
        cursor = connection.execute(f"select * from {name}")
        names = [column[0] for column in cursor.description or ()]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


@pytest.fixture(scope="session")
def facts() -> Callable[..., Rows]:
    """`facts("canal_facts", canals="...", visits="...")`: see make_facts."""

    def made(name: str, as_of: dt.date = AS_OF, settings: dict[str, Any] | None = None, **given: str | Rows) -> Rows:
        return make_facts(name, given, as_of, settings)

    return made
