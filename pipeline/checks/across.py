"""Rules across record kinds: a canal without its treatment, a follow-up before completion.

They never depend on the order of files. Whatever they find is marked with a flag and stays in the store; the flags are
made anew from all records that a change can touch, so one goes when a later import mends its cause.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.checks import touched
from pipeline.checks.judge import Verdict, create_faults, judge_each
from pipeline.checks.suites import ACROSS, Rule, fingerprint, suite
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
            refresh(connection, day_of(connection), due_only=True)
        if write or not late:
            yield connection
            return
    with open_store(path, write=True) as connection:
        refresh(connection, day_of(connection), due_only=True)
    with open_store(path) as connection:
        yield connection


def refresh(connection: Connection, today: dt.date, *, due_only: bool = False) -> list[Verdict]:
    """Judge the whole store by the rules across kinds and renew their flags, in one transaction.

    With `due_only`, judge what the batches since the last renewal touched, where that is known (store.due): flags are
    those of the whole store then, too.
    """
    rules = suite(ACROSS)
    connection.begin()
    try:
        batches = due.batches_due(connection, fingerprint(ACROSS)) if due_only else None
        if batches is None or touched.is_large(connection, batches):
            connection.execute("delete from flags where action = 'flag'")
            verdicts = _flag(connection, [(rule.kind, rule) for rule in rules], today)
        else:
            verdicts = _renew(connection, rules, batches, today) if batches else []
        due.settled(connection, fingerprint(ACROSS))
        connection.commit()
    except BaseException:
        import contextlib

        import duckdb

        with contextlib.suppress(duckdb.Error):
            connection.rollback()
        raise
    return verdicts


def _renew(connection: Connection, rules: Sequence[Rule], batches: Sequence[int], today: dt.date) -> list[Verdict]:
    """Judge what these batches touched, and renew the flags of that."""
    of = touched.Touched(connection, batches, rules)
    try:
        judged = [of.narrowed(rule) for rule in rules if of.may_change(rule)]
        by_relation: dict[tuple[str, str], list[str]] = {}
        for relation, rule in judged:
            by_relation.setdefault((rule.kind, relation), []).append(rule.id)
        for (kind, relation), ids in by_relation.items():
            of_these = (
                ""
                if relation == kind
                else f"and (batch_id, record_no) in (select (batch_id, record_no) from {relation})"
            )
            connection.execute(
                "delete from flags where action = 'flag' and kind = ? and rule in (select unnest(?)) " + of_these,
                [kind, ids],
            )
        return _flag(connection, judged, today)
    finally:
        of.close()


def _flag(connection: Connection, judged: Sequence[tuple[str, Rule]], today: dt.date) -> list[Verdict]:
    """Judge each rule on its relation, and flag what it refuses."""
    create_faults(connection, "faults")
    verdicts = judge_each(connection, judged, "faults", today)
    for rule in (verdict.rule for verdict in verdicts if verdict.refused):
        connection.execute(
            "insert into flags "
            "select $kind, batch_id, record_no, source_row, rule, 'flag', reason, columns, $spoils from faults "
            "where rule = $rule",
            {"kind": rule.kind, "rule": rule.id, "spoils": list(rule.affects)},
        )
    return verdicts
