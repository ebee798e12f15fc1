"""Rules across record kinds: a canal without its treatment, a follow-up before completion.

They never depend on the order of files. Whatever they find is marked with a flag and stays in the store; the flags are
made anew from all records each time, so one goes when a later import mends its cause.
"""

from __future__ import annotations

import datetime as dt
from itertools import groupby
from typing import TYPE_CHECKING

from pipeline.checks.judge import Verdict, create_faults, judge
from pipeline.checks.suites import ACROSS, suite

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection


def refresh(connection: Connection, today: dt.date) -> list[Verdict]:
    """Judge the whole store by the rules across kinds and renew their flags, in one transaction."""
    rules = sorted(suite(ACROSS), key=lambda rule: rule.kind)
    spoils = {rule.id: list(rule.spoils) for rule in rules}
    verdicts: list[Verdict] = []
    connection.begin()
    try:
        connection.execute("delete from flags where action = 'flag'")
        for kind, of_kind in groupby(rules, key=lambda rule: rule.kind):
            create_faults(connection, "faults")
            verdicts += judge(connection, kind, list(of_kind), "faults", today)
            for verdict in verdicts:
                if verdict.rule.kind == kind and verdict.refused:
                    connection.execute(
                        "insert into flags select $kind, batch_id, source_row, rule, 'flag', reason, columns, $spoils "
                        "from faults where rule = $rule",
                        {"kind": kind, "rule": verdict.rule.id, "spoils": spoils[verdict.rule.id]},
                    )
        connection.commit()
    except BaseException:
        import contextlib

        import duckdb

        with contextlib.suppress(duckdb.Error):
            connection.rollback()
        raise
    return verdicts
