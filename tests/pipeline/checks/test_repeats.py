"""Rules that look for repeats and overlaps cost what there are records, not the square of how often a patient repeats.

As many treatments of one tooth, 65 or 500 a patient: the same file exported again and again under other numbers.
"""

from __future__ import annotations

import datetime as dt
import os

import duckdb
import pytest

from pipeline.checks import judge
from pipeline.checks.suites import ACROSS, Rule, suite
from pipeline.store.database import in_memory

TREATMENTS = 32_500
FEW, MANY = 65, 500  # treatments a patient
ROUNDS = 3
RULES = [rule for rule in suite(ACROSS) if rule.scope in ("patient", "chair") or rule.id.endswith("_after_loss")]


def practice(copies: int) -> duckdb.DuckDBPyConnection:
    """TREATMENTS treatments, `copies` of them of one patient's tooth, most begun on one day, the rest within a week, each open for three;
    with a visit each, in one chair by two dentists, and now and then a tooth that is lost."""
    connection = in_memory()
    begun = "date '2025-03-03' + if(n % 10 = 0, n % 7, 0)::integer"
    at = f"({begun})::timestamp + to_minutes((540 + n % 50)::bigint)"
    id_ = "'T' || n"
    for kind, columns in {
        "treatments": f"{id_} as treatment_id, 'P' || (n // {copies}) as patient_id, 16 as tooth, 'D1' as dentist, "
        f"if(n % 20 = 0, 'retreatment', 'primary') as kind, {begun} as started_on, {begun} + 3 as completed_on",
        "visits": f"{id_} as treatment_id, 'V' || n as visit_id, 'D' || (n % 2) as dentist, "
        f"'chair ' || (n // {copies}) as chair, {at} as seated_at, {at} + interval 1 hour as left_at",
        "follow_ups": f"{id_} as treatment_id, 'F' || n as follow_up_id, n % 10 > 0 as tooth_present, "
        f"{begun} + 2 as seen_on",
    }.items():
        connection.execute(
            f"insert into {kind} by name select {columns}, 'here' as practice, 1 as source_row, 1 as batch_id, "
            f"n as record_no from range({TREATMENTS}) as t(n)"
        )
    connection.execute("set memory_limit = '400MB'")
    connection.execute("set temp_directory = ''")
    return connection


def seconds(connection: duckdb.DuckDBPyConnection, rule: Rule) -> float:
    """Processor time of asking one rule of all records."""
    taken = []
    for _ in range(ROUNDS):
        before = os.times()
        judge._distinct(connection, rule.kind, rule, dt.date(2026, 6, 30))
        after = os.times()
        taken.append(after.user + after.system - before.user - before.system)
    return min(taken)


@pytest.fixture(scope="module")
def few() -> duckdb.DuckDBPyConnection:
    return practice(FEW)


@pytest.fixture(scope="module")
def many() -> duckdb.DuckDBPyConnection:
    return practice(MANY)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_more_repeats_of_as_many_records_cost_no_more(
    rule: Rule, few: duckdb.DuckDBPyConnection, many: duckdb.DuckDBPyConnection
) -> None:
    """7.7 times as many repeats would cost 7.7 times as much if each were held against each; in 400 MB, too."""
    assert seconds(many, rule) < 2.5 * seconds(few, rule) + 0.1
