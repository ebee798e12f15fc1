"""Great Expectations judges, DuckDB finds.

A rule on one value holds for every row exactly if it holds for every distinct value. So DuckDB reduces what a rule
judges to its distinct values, Great Expectations' pandas engine judges those, and the refused ones are joined back to
their rows: millions of rows cost what a few hundred values cost. Verdicts are those of the suites in expectations/
(tests/pipeline/checks compares them with a plain run row by row).
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.checks.suites import Rule

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    Connection = duckdb.DuckDBPyConnection


@dataclass(frozen=True)
class Verdict:
    """What became of one rule: how many rows it judged and how many it refused."""

    rule: Rule
    rows: int
    refused: int


def judge(
    connection: Connection, relation: str, rules: Sequence[Rule], into: str, today: dt.date
) -> list[Verdict]:
    """Judge every row of `relation` (a table with batch_id and source_row) by `rules`.

    Refused rows are added to the table `into` (batch_id, source_row, rule, reason, columns, action).
    """
    if not rules:
        return []
    counted = connection.execute(f"select count(*) from {relation}").fetchone()
    rows = int(counted[0]) if counted else 0
    values = [_distinct(connection, relation, rule, today) for rule in rules]
    refused = _refused(rules, values)
    return [
        Verdict(rule, rows, _record(connection, relation, rule, bad, into, today) if bad else 0)
        for rule, bad in zip(rules, refused, strict=True)
    ]


def create_faults(connection: Connection, name: str) -> None:
    """An empty table for refused rows."""
    connection.execute(
        f"create or replace temp table {name} (batch_id BIGINT, source_row BIGINT, rule VARCHAR, reason VARCHAR, "
        "columns VARCHAR[], action VARCHAR)"
    )


def _distinct(connection: Connection, relation: str, rule: Rule, today: dt.date) -> list[Any]:
    """The distinct values that a rule judges; without NULL unless the rule is about NULL."""
    keep = "" if rule.judges_null else " where v is not null"
    sql = f"select distinct v from (select {_dated(rule.judged, today)} as v from {relation} as r){keep}"
    return [value for (value,) in connection.execute(sql).fetchall()]


def _dated(sql: str, today: dt.date) -> str:
    """The current date enters as a literal, so that a run can be repeated with the date it had."""
    return sql.replace("$today", f"date '{today.isoformat()}'")


def _refused(rules: Sequence[Rule], values: list[list[Any]]) -> list[list[Any]]:
    """For each rule the values that Great Expectations refuses."""
    judged = [i for i, distinct in enumerate(values) if distinct]
    refused: list[list[Any]] = [[] for _ in rules]
    if not judged:
        return refused
    longest = max(len(values[i]) for i in judged)
    frame = _frame({str(i): values[i] for i in judged}, longest)
    for i, positions in zip(judged, _validate(frame, [(str(i), rules[i].expectation) for i in judged]), strict=True):
        distinct = values[i]
        refused[i] = [distinct[p] for p in sorted({min(p, len(distinct) - 1) for p in positions})]
    return refused


def _frame(columns: dict[str, list[Any]], length: int) -> pd.DataFrame:
    """Columns of unequal length in one frame, the last value repeated: repeating a value changes no verdict."""
    import pandas as pd

    series = {}
    for name, values in columns.items():
        padded = values + [values[-1]] * (length - len(values))
        numeric = all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)
        series[name] = pd.Series(padded, dtype="float64" if numeric else "object")
    return pd.DataFrame(series)


def _validate(frame: pd.DataFrame, columns_and_expectations: list[tuple[str, dict[str, Any]]]) -> list[list[int]]:
    """Positions of the frame that each expectation finds unexpected."""
    import great_expectations as gx
    from great_expectations.expectations.expectation_configuration import ExpectationConfiguration

    with _quietly():
        context = gx.get_context(mode="ephemeral")
        context.variables.progress_bars = {"globally": False, "metric_calculations": False}  # type: ignore[assignment]
        suite = gx.ExpectationSuite(name="judged")
        for position, (column, expectation) in enumerate(columns_and_expectations):
            kwargs = {**expectation["kwargs"], "column": column}
            # Two rules may expect the same of two columns that were reduced to one name: the position keeps them apart.
            suite.add_expectation_configuration(
                ExpectationConfiguration(type=expectation["type"], kwargs=kwargs, meta={"position": position})
            )
        batch = (
            context.data_sources.add_pandas("values")
            .add_dataframe_asset("distinct")
            .add_batch_definition_whole_dataframe("all")
            .get_batch({"dataframe": frame})
        )
        outcome = batch.validate(suite, result_format={"result_format": "COMPLETE", "include_unexpected_rows": False})
    positions: list[list[int]] = [[] for _ in columns_and_expectations]
    for result in outcome.results:
        if result.exception_info and result.exception_info.get("raised_exception"):
            raise RuntimeError(f"an expectation could not be judged: {result.exception_info}")
        found = result.result.get("unexpected_index_list") or []
        config = result.expectation_config
        assert config is not None
        positions[config.meta["position"]] = [int(p) for p in found]
    return positions


@contextmanager
def _quietly() -> Any:
    """Great Expectations without its talk: no progress bars, no log lines, no usage data."""
    import logging
    import warnings

    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    logger = logging.getLogger("great_expectations")
    before = logger.level
    logger.setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logger.setLevel(before)


def _record(
    connection: Connection, relation: str, rule: Rule, bad: list[Any], into: str, today: dt.date
) -> int:
    """Join refused values back to their rows. Returns the number of rows."""
    judged = _dated(rule.judged, today)
    unit = f" {rule.shown_in}" if rule.shown_in else ""
    shown = f"|| ' Found: ' || v::varchar || '{unit}.'" if rule.show_value else ""
    condition = "v is null" if rule.judges_null else "v in (select unnest($bad))"
    sql = f"""
        insert into {into}
        select batch_id, source_row, $rule, $reason {shown}, $columns, $action
        from (select r.batch_id, r.source_row, {judged} as v from {relation} as r)
        where {condition}
    """
    parameters = {"rule": rule.id, "reason": rule.reason, "columns": list(rule.columns), "action": rule.action}
    if not rule.judges_null:
        parameters["bad"] = bad  # type: ignore[assignment]
    done = connection.execute(sql, parameters).fetchone()
    return int(done[0]) if done else 0
