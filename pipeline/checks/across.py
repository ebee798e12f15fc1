"""Rules across record kinds: a canal without its treatment, a follow-up before completion.

They never depend on the order of files. Whatever they find is marked with a flag and stays in the store; the flags are
made anew from all records each time, so one goes when a later import mends its cause.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from pipeline.checks.judge import Verdict, create_faults, judge_each
from pipeline.checks.suites import ACROSS, suite

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def refresh(connection: Connection, today: dt.date) -> list[Verdict]:
    """Judge the whole store by the rules across kinds and renew their flags, in one transaction."""
    rules = suite(ACROSS)
    connection.begin()
    try:
        connection.execute("delete from flags where action = 'flag'")
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
