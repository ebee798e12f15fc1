"""Tables of the records in an empty DuckDB, and a judge: Great Expectations' pandas engine on the values of one rule.

A test that takes `rule` runs once for every rule of every suite, with `record_rule` for those on one record and with
`across_rule` for those between kinds.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

import duckdb
import pytest

from pipeline.records import KINDS, SQL_TYPE

TODAY = date(2026, 6, 30)
PROVENANCE = (
    "practice VARCHAR, source_file VARCHAR, source_row BIGINT, loaded_at TIMESTAMP, batch_id BIGINT, record_no BIGINT"
)

Rows = list[dict[str, Any]]


@dataclass(frozen=True)
class Rule:
    """One expectation, the suite it stands in, and the kind whose records it judges."""

    suite: str
    kind: str
    expectation: dict[str, Any]

    @property
    def meta(self) -> dict[str, Any]:
        return self.expectation["meta"]

    @property
    def column(self) -> str:
        return self.expectation["kwargs"]["column"]


Judge = Callable[[Rule, dict[str, Rows]], list[bool]]


def load_suites() -> dict[str, dict[str, Any]]:
    found = {}
    for file in files("expectations").iterdir():
        if file.name.endswith(".json"):
            found[file.name.removesuffix(".json")] = json.loads(file.read_text(encoding="utf-8"))
    return found


def load_rules() -> dict[str, Rule]:
    return {
        one["meta"]["rule"]: Rule(name, one["meta"].get("kind", name), one)
        for name, suite in load_suites().items()
        for one in suite["expectations"]
    }


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    for name, wanted in {"rule": (True, False), "record_rule": (False,), "across_rule": (True,)}.items():
        if name in metafunc.fixturenames:
            found = {key: rule for key, rule in load_rules().items() if (rule.suite == "across") in wanted}
            metafunc.parametrize(name, list(found.values()), ids=list(found))


@cache
def _empty_store() -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect(config={"autoinstall_known_extensions": False, "autoload_known_extensions": False})
    for kind in KINDS.values():
        columns = ", ".join(f"{c.name} {SQL_TYPE[c.type]}" for c in kind.columns)
        connection.execute(f"create table {kind.name} ({columns}, {PROVENANCE})")
        connection.execute(f"create table {kind.name}_history as from {kind.name}")
    return connection


@contextmanager
def empty_store() -> Iterator[duckdb.DuckDBPyConnection]:
    """An empty store, made once: what is put into it is taken back."""
    connection = _empty_store()
    connection.begin()
    try:
        yield connection
    finally:
        connection.rollback()


def fill(connection: duckdb.DuckDBPyConnection, tables: dict[str, Rows]) -> None:
    for kind, rows in tables.items():
        alike: dict[tuple[str, ...], list[list[Any]]] = {}
        for number, row in enumerate(rows, start=1):
            row = {"practice": "demo", "batch_id": 1, "record_no": number, "source_row": number} | row
            alike.setdefault(tuple(row), []).append(list(row.values()))
        for columns, found in alike.items():
            marks = f"({', '.join('?' for _ in columns)})"
            cells = [cell for row in found for cell in row]
            connection.execute(
                f"insert into {kind} ({', '.join(columns)}) values {', '.join([marks] * len(found))}", cells
            )


def values(connection: duckdb.DuckDBPyConnection, rule: Rule) -> Any:
    """The judged value of each record of the rule's kind, in the order of its rows: a frame of one column."""
    sql = rule.meta.get("sql", f"r.{rule.column}")
    named = {"today": TODAY} if "$today" in sql else None
    return connection.execute(f"select {sql} as {rule.column} from {rule.kind} r order by r.source_row", named).df()


@pytest.fixture(scope="session")
def suites() -> dict[str, dict[str, Any]]:
    """The suites by name, as they stand in the files."""
    return load_suites()


@pytest.fixture(scope="session")
def rules() -> dict[str, Rule]:
    """Every rule by its name."""
    return load_rules()


@pytest.fixture
def judged_values() -> Callable[[Rule, dict[str, Rows]], list[Any]]:
    """judged_values(rule, tables) -> the value that Great Expectations would see, for each record."""

    def of(rule: Rule, tables: dict[str, Rows]) -> list[Any]:
        with empty_store() as connection:
            fill(connection, tables)
            return values(connection, rule)[rule.column].tolist()

    return of


@pytest.fixture(scope="session")
def judge() -> Judge:
    """judge(rule, tables) -> for each record of the rule's kind, whether it is accepted."""
    with warnings.catch_warnings():  # Great Expectations itself imports deprecated modules
        warnings.simplefilter("ignore", DeprecationWarning)
        import great_expectations as gx
        from great_expectations.expectations.registry import get_expectation_impl

    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = {"globally": False}
    asset = context.data_sources.add_pandas("records").add_dataframe_asset("values")
    whole = asset.add_batch_definition_whole_dataframe("whole")

    known: dict[Any, list[bool]] = {}  # the same values are judged once

    def verdicts(rule: Rule, tables: dict[str, Rows]) -> list[bool]:
        with empty_store() as connection:
            fill(connection, tables)
            frame = values(connection, rule)
        judged = frame[rule.column]
        asked = (json.dumps(rule.expectation), str(judged.dtype), tuple(judged.astype(object).map(repr)))
        if asked not in known:
            known[asked] = validated(rule, frame)
        return known[asked]

    def validated(rule: Rule, frame: Any) -> list[bool]:
        expectation = get_expectation_impl(rule.expectation["type"])(**rule.expectation["kwargs"])
        outcome = whole.get_batch({"dataframe": frame}).validate(expectation, result_format="COMPLETE")
        assert not outcome.exception_info["raised_exception"], outcome.exception_info
        refused = set(outcome.result["unexpected_index_list"] or [])
        assert outcome.success == (not refused)
        return [row not in refused for row in range(len(frame))]

    return verdicts
