"""Great Expectations judges, DuckDB finds.

A rule on one value holds for every row exactly if it holds for every distinct value. So DuckDB reduces what a rule
judges to its distinct values, Great Expectations' pandas engine judges those, and the refused ones are joined back to
their rows: millions of rows cost what a few hundred values cost. Verdicts are those of the suites in expectations/
(tests/pipeline/checks compares them with a plain run row by row).
"""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Iterable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from pipeline.checks import remembered
from pipeline.checks.remembered import Expected
from pipeline.checks.suites import Rule

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    Connection = duckdb.DuckDBPyConnection


_FEW = 1000  # rows, or values: longer columns are asked for one by one, and need not pad the others to their length


@dataclass(frozen=True)
class Verdict:
    """What became of one rule: how many rows it judged and how many it refused."""

    rule: Rule
    rows: int
    refused: int


def judge(connection: Connection, relation: str, rules: Sequence[Rule], into: str, today: dt.date) -> list[Verdict]:
    """Judge every row of `relation` (a table with batch_id, record_no and source_row) by `rules`.

    Refused rows are added to the table `into` (batch_id, record_no, source_row, rule, reason, columns, action).
    """
    return judge_each(connection, [(relation, rule) for rule in rules], into, today)


def judge_each(connection: Connection, rules: Sequence[tuple[str, Rule]], into: str, today: dt.date) -> list[Verdict]:
    """As `judge`, each rule on a relation of its own: all are put to Great Expectations at once."""
    rows = {relation: _rows(connection, relation) for relation in dict.fromkeys(relation for relation, _ in rules)}
    values: list[list[Any]] = [[] for _ in rules]
    for relation, many in rows.items():
        places = [place for place, (of, _) in enumerate(rules) if of == relation]
        found = _values(connection, relation, many, [rules[place][1] for place in places], today)
        for place, distinct in zip(places, found, strict=True):
            values[place] = distinct
    refused = _refused(connection, [rule for _, rule in rules], values)
    return [
        Verdict(rule, rows[relation], _record(connection, relation, rule, bad, into, today) if bad else 0)
        for (relation, rule), bad in zip(rules, refused, strict=True)
    ]


def _rows(connection: Connection, relation: str) -> int:
    counted = connection.execute(f"select count(*) from {relation}").fetchone()
    return int(counted[0]) if counted else 0


def create_faults(connection: Connection, name: str) -> None:
    """An empty table for refused rows."""
    connection.execute(
        f"create or replace temp table {name} (batch_id BIGINT, record_no BIGINT, source_row BIGINT, rule VARCHAR, "
        "reason VARCHAR, columns VARCHAR[], action VARCHAR)"
    )


def _values(connection: Connection, relation: str, rows: int, rules: Sequence[Rule], today: dt.date) -> list[list[Any]]:
    """For each rule the distinct values that it judges; without NULL unless the rule is about NULL."""
    judged = [_dated(rule.judged, today) for rule in rules]
    if not rows:
        found: list[Iterable[Any]] = [[] for _ in rules]
    elif rows <= _FEW:
        # A query costs some 2 ms however few its rows: of a small file all rules' values are had in one.
        table = connection.execute(f"select {', '.join(judged)} from {relation} as r").fetchall()
        found = list(map(dict.fromkeys, zip(*table, strict=True)))
    else:
        found = [_column(connection, f"select distinct {sql} from {relation} as r") for sql in judged]
    # NULL is dropped here: a condition would have DuckDB compute the expression twice.
    return [
        [value for value in distinct if value is not None or rule.judges_null]
        for rule, distinct in zip(rules, found, strict=True)
    ]


def _column(connection: Connection, sql: str) -> list[Any]:
    return [value for (value,) in connection.execute(sql).fetchall()]


def _dated(sql: str, today: dt.date) -> str:
    """The current date enters as a literal, so that a run can be repeated with the date it had."""
    return sql.replace("$today", f"date '{today.isoformat()}'")


_known: dict[Expected, dict[Any, bool]] = {}  # whether a value was refused, for as long as the process lives


def _refused(connection: Connection, rules: Sequence[Rule], values: list[list[Any]]) -> list[list[Any]]:
    """For each rule the values that Great Expectations refuses.

    An expectation costs some 10 ms however few its values. So rules that expect the same share one column of values,
    and what was judged once is not judged again; nor what an earlier run judged.
    """
    keys = [_same_expectation(rule, distinct) for rule, distinct in zip(rules, values, strict=True)]
    expectations = {key: rule.expectation for key, rule in zip(keys, rules, strict=True)}
    asked = _unknown(keys, values)
    if asked:
        for key, verdicts in remembered.known(connection, asked).items():
            _known[key] |= verdicts
        asked = _unknown(keys, values)
    judged: dict[Expected, dict[Any, bool]] = {}
    for few in (True, False):
        columns = {key: list(distinct) for key, distinct in asked.items() if (len(distinct) <= _FEW) is few}
        if columns:
            found = _validate(_frame(list(columns.values())), [expectations[key] for key in columns])
            for (key, distinct), positions in zip(columns.items(), found, strict=True):
                judged[key] = dict.fromkeys(distinct, False) | {
                    distinct[min(p, len(distinct) - 1)]: True for p in positions
                }
                if few:
                    _known[key] |= judged[key]
    remembered.keep(connection, {key: verdicts for key, verdicts in judged.items() if len(verdicts) <= _FEW})
    return [
        [v for v in distinct if _known[key].get(v) or judged.get(key, {}).get(v)]
        for key, distinct in zip(keys, values, strict=True)
    ]


def _unknown(keys: Sequence[Expected], values: list[list[Any]]) -> dict[Expected, dict[Any, None]]:
    """Of each expectation the values of all its rules that nobody has judged yet."""
    asked: dict[Expected, dict[Any, None]] = {}
    for key, distinct in zip(keys, values, strict=True):
        known = _known.setdefault(key, {})
        if unknown := dict.fromkeys(v for v in distinct if v not in known):
            asked.setdefault(key, {}).update(unknown)
    return asked


def _same_expectation(rule: Rule, values: list[Any]) -> Expected:
    """All of an expectation but its column, and whether it is about numbers."""
    kwargs = {k: v for k, v in rule.expectation["kwargs"].items() if k != "column"}
    return json.dumps([rule.expectation["type"], kwargs], sort_keys=True), _numeric(values)


def _numeric(values: list[Any]) -> bool:
    return all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)


def _frame(columns: list[list[Any]]) -> pd.DataFrame:
    """Columns of unequal length in one frame, the last value repeated: repeating a value changes no verdict."""
    import pandas as pd

    length = max(map(len, columns))
    return pd.DataFrame(
        {
            str(place): pd.Series(
                values + [values[-1]] * (length - len(values)), dtype="float64" if _numeric(values) else "object"
            )
            for place, values in enumerate(columns)
        }
    )


def _validate(frame: pd.DataFrame, expectations: list[dict[str, Any]]) -> list[list[int]]:
    """Positions that each expectation finds unexpected in the column of its own place.

    Whether there are any is asked first, which is cheaper than asking where, and most expectations are met.
    """
    judged = [(str(place), expectation) for place, expectation in enumerate(expectations)]
    positions: list[list[int]] = [[] for _ in judged]
    with _quietly():
        batch = _batch(frame)
        met = _results(batch, judged, {"result_format": "BOOLEAN_ONLY"})
        unmet = [place for place, result in enumerate(met) if not result.success]
        where = _results(
            batch, [judged[place] for place in unmet], {"result_format": "COMPLETE", "include_unexpected_rows": False}
        )
    for place, result in zip(unmet, where, strict=True):
        positions[place] = [int(p) for p in result.result.get("unexpected_index_list") or []]
    return positions


def _batch(frame: pd.DataFrame) -> Any:
    return _any_frame().get_batch({"dataframe": frame})


@cache
def _any_frame() -> Any:
    """Where Great Expectations takes frames from: made once, it costs as much as judging three rules."""
    import great_expectations as gx

    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = {"globally": False, "metric_calculations": False}  # type: ignore[assignment]
    asset = context.data_sources.add_pandas("values").add_dataframe_asset("distinct")
    return asset.add_batch_definition_whole_dataframe("all")


def _results(batch: Any, judged: list[tuple[str, dict[str, Any]]], result_format: dict[str, Any]) -> list[Any]:
    """The result of each expectation, in order."""
    import great_expectations as gx
    from great_expectations.expectations.expectation_configuration import ExpectationConfiguration

    if not judged:
        return []
    suite = gx.ExpectationSuite(name="judged")
    for place, (column, expectation) in enumerate(judged):
        kwargs = {**expectation["kwargs"], "column": column}
        suite.add_expectation_configuration(
            ExpectationConfiguration(type=expectation["type"], kwargs=kwargs, meta={"place": place})
        )
    results: list[Any] = [None] * len(judged)
    for result in batch.validate(suite, result_format=result_format).results:
        if result.exception_info and result.exception_info.get("raised_exception"):
            raise RuntimeError(f"an expectation could not be judged: {result.exception_info}")
        results[result.expectation_config.meta["place"]] = result
    return results


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


def _record(connection: Connection, relation: str, rule: Rule, bad: list[Any], into: str, today: dt.date) -> int:
    """Join refused values back to their rows. Returns the number of rows."""
    judged = _dated(rule.judged, today)
    unit = f" {rule.shown_in}" if rule.shown_in else ""
    shown = f"|| ' Found: ' || v::varchar || '{unit}.'" if rule.show_value else ""
    condition = "v is null" if rule.judges_null else "v in (select unnest($bad))"
    # The cells that are emptied: those that the value names, as in "completed_on in the future", or all.
    named = "regexp_extract_all(v::varchar, '(?:^|, )(\\w+)', 1)"
    faulty = f"coalesce(nullif([c for c in $columns if list_contains({named}, c)], []), $columns)"
    columns = faulty if len(rule.blanks) > 1 else "$columns"
    sql = f"""
        insert into {into}
        select batch_id, record_no, source_row, $rule, $reason {shown}, {columns}, $action
        from (select r.batch_id, r.record_no, r.source_row, {judged} as v from {relation} as r)
        where {condition}
    """
    parameters = {
        "rule": rule.id,
        "reason": rule.reason,
        "columns": list(rule.blanks or rule.columns),
        "action": rule.action,
    }
    if not rule.judges_null:
        parameters["bad"] = bad
    done = connection.execute(sql, parameters).fetchone()
    return int(done[0]) if done else 0
