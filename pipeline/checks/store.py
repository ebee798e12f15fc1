"""Checking the whole store: every suite on the records as they stand, and the rules across kinds."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.checks import across
from pipeline.checks.judge import Verdict, create_faults, judge
from pipeline.checks.suites import ACROSS, suite
from pipeline.records import KINDS

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True)
class Outcome:
    """What a check found: a line a suite, and a line for every rule that found something."""

    suites: list[dict[str, Any]]
    findings: list[dict[str, Any]]

    @property
    def success(self) -> bool:
        return not self.findings

    def as_json(self) -> dict[str, Any]:
        return {"success": self.success, "suites": self.suites, "findings": self.findings}


def check(
    connection: duckdb.DuckDBPyConnection,
    today: dt.date,
    talk: Callable[[str], None] = lambda _: None,
    part: Callable[[float, float], None] = lambda done, whole: None,
) -> Outcome:
    """Run all suites on the store, renew every flag, and keep the result in the store's table of checks.

    `talk` is told in words what is being done, `part` how many suites of how many are through.
    """
    suites, findings = [], []
    for number, kind in enumerate(KINDS):
        part(number, len(KINDS) + 1)
        talk(f"Checking {kind} ...")
        create_faults(connection, "faults")
        verdicts = judge(connection, kind, suite(kind), "faults", today)
        connection.begin()
        connection.execute("delete from flags where kind = ? and action <> 'flag'", [kind])
        connection.execute(
            "insert into flags "
            "select ?, batch_id, record_no, source_row, rule, action, reason, columns, [] from faults",
            [kind],
        )
        connection.commit()
        suites.append(_line(kind, verdicts))
        findings += _found(verdicts)
    part(len(KINDS), len(KINDS) + 1)
    talk("Checking rules across kinds ...")
    verdicts = across.refresh(connection, today)
    suites.append(_line(ACROSS, verdicts))
    findings += _found(verdicts)
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
    connection.executemany(
        "insert into checks values (?, ?, ?, ?, ?, ?)",
        [[now, s["suite"], s["expectations"], s["failed"], s["rows"], s["unexpected"]] for s in suites],
    )
    return Outcome(suites, findings)


def _line(name: str, verdicts: list[Verdict]) -> dict[str, Any]:
    return {
        "suite": name,
        "expectations": len(verdicts),
        "failed": sum(1 for v in verdicts if v.refused),
        "rows": max((v.rows for v in verdicts), default=0),
        "unexpected": sum(v.refused for v in verdicts),
    }


def _found(verdicts: list[Verdict]) -> list[dict[str, Any]]:
    return [
        {"kind": v.rule.kind, "rule": v.rule.id, "rows": v.refused, "reason": v.rule.reason}
        for v in verdicts
        if v.refused
    ]
