"""Rules across record kinds: a canal without its treatment, a follow-up before completion.

They never depend on the order of files. Whatever they find is marked with a flag and stays in the store; the flags are
made anew from all records each time, so one goes when a later import mends its cause.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.checks.judge import Verdict, create_faults, judge_each
from pipeline.checks.suites import ACROSS, suite
from pipeline.store import due
from pipeline.store.batches import today as day_of
from pipeline.store.database import open_store

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


@contextmanager
def open_judged(path: Path, *, write: bool = False) -> Iterator[Connection]:
    """The store at `path`, as `open_store` has it, with its flags as they must be.

    Where an import was cut off between a batch and these rules, they are asked first, also for a reader.
    """
    with open_store(path, write=write) as connection:
        late = due.flags_due(connection)
        if write and late:
            refresh(connection, day_of(connection))
        if write or not late:
            yield connection
            return
    with open_store(path, write=True) as connection:
        refresh(connection, day_of(connection))
    with open_store(path) as connection:
        yield connection


def refresh(connection: Connection, today: dt.date) -> list[Verdict]:
    """Judge the whole store by the rules across kinds and renew their flags, in one transaction."""
    rules = suite(ACROSS)
    connection.begin()
    try:
        connection.execute("delete from flags where action = 'flag'")
        due.settled(connection)
        create_faults(connection, "faults")
        verdicts = judge_each(connection, [(rule.kind, rule) for rule in rules], "faults", today)
        for rule in (verdict.rule for verdict in verdicts if verdict.refused):
            connection.execute(
                "insert into flags "
                "select $kind, batch_id, record_no, source_row, rule, 'flag', reason, columns, $spoils from faults "
                "where rule = $rule",
                {"kind": rule.kind, "rule": rule.id, "spoils": list(rule.affects)},
            )
        connection.commit()
    except BaseException:
        import contextlib

        import duckdb

        with contextlib.suppress(duckdb.Error):
            connection.rollback()
        raise
    return verdicts
