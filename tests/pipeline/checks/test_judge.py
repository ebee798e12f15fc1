"""Verdicts are those of the suites: judging distinct values refuses exactly the rows that a plain run refuses.

The plain run knows nothing of distinct values: DuckDB computes what each rule judges for every record, one row a
record, and Great Expectations' pandas engine validates the whole suite on that frame.
"""

from __future__ import annotations

import datetime as dt
import warnings
from collections.abc import Iterator
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.checks.judge import create_faults, judge, judge_each
from pipeline.checks.suites import ACROSS, Rule, all_rules, suite
from pipeline.mapping.apply import POLARS_TYPE
from pipeline.records import KINDS, Column
from pipeline.store.database import in_memory

TODAY = dt.date(2026, 6, 30)
ROWS = 160
SEEDS = (0, 1)

IDS = {
    "treatment_id": ["T1", "T2", "T3", "T4", "T5", "T6", "TEST7"],
    "instrument_id": [f"I{i}" for i in range(1, 100)],
    "canal": ["MB", "ML", "MM", "D", "P", "S", "X9"],
    "dentist": ["D1", "D1", "D1", "D2", "d2", "Test", "gelÃ¶st"],
    "practice": ["north", "south"],
}
NUMBERS = {
    "tooth": [11, 16, 36, 46, 19, 55, 99],
    "birth_year": [1890, 1950, 1980, 2024, 2030],
    "size": [5, 6, 10, 25, 40, 140, 400],
    "final_size": [6, 20, 25, 40, 400],
    "glide_path_size": [10, 15, 60],
    "taper": [0.0, 0.02, 0.04, 0.06, 4.0, -0.02],
    "final_taper": [0.02, 0.04, 0.06, 6.0],
    "step": [0, 1, 2, 3, 40],
    "working_length_mm": [7.0, 18.0, 20.5, 24.0, 205.0],
    "length_mm": [12.0, 21.0, 25.0, 250.0],
    "depth_mm": [5.0, 20.0, 24.5, 60.0],
    "pai": [0, 1, 3, 5, 7],
    "preop_pai": [1, 4, 5, 6],
}
# Rules about what most records of a dentist, a file or a practice have in common, or two treatments of one patient on
# one day, or two records of one canal, tooth or instrument that have much in common; random records have nothing in
# common. tests/expectations has examples of all of them.
OF_MANY = {
    "booking_unit_doubtful",
    "canal_times_by_default",
    "canal_times_exceed_visit",
    "canal_times_missing_by_dentist",
    "dentist_back_after_a_year",
    "pai_undecided_on_a_day",
    "second_mesiobuccal_length_differs",
    "tooth_side_doubtful",
    "use_after_separation",
    "uses_not_traceable",
    "visit_times_by_default",
}
ANY_NUMBER = [-12.5, -1.0, 0.0, 0.5, 1.0, 5.0, 30.0, 90.0, 300.0, 2000.0, 99999.0]


def texts(kind: str, column: Column) -> list[Any]:
    """Words that some rule allows in this column, and some that none does."""
    allowed: list[str] = []
    for rule in suite(kind):
        if rule.judged == f'r."{column.name}"':
            allowed += [v for v in rule.expectation["kwargs"].get("value_set", []) if isinstance(v, str)]
    told = ["the file broke in it", "gelÃ¶st"]  # an incident in words, letters read in a wrong encoding
    run_together = [
        "010730001635075910AB1217260228",
        "AB1217260228",
    ]  # a device identifier without its separator, its lot
    return [
        *allowed,
        *told,
        *run_together,
        "something else",
        "",
        " ",
        "(01)07300016350759",
        "(01)07300016350750",
        "7.3E+12",
    ]


def pool(kind: str, column: Column) -> list[Any]:
    if column.name in IDS:  # the last instrument is used but not listed
        return IDS[column.name][:-1] if (kind, column.name) == ("instruments", "instrument_id") else IDS[column.name]
    if column.type == "text":
        return texts(kind, column)
    if column.type == "bool":
        return [True, False]
    if column.type in ("int", "decimal"):
        numbers = NUMBERS.get(column.name, ANY_NUMBER)
        return [int(n) for n in numbers] if column.type == "int" else list(numbers)
    days = [dt.date(1985, 5, 5), dt.date(2024, 3, 4), dt.date(2024, 3, 5), dt.date(2025, 3, 4), dt.date(2031, 1, 1)]
    if column.type == "date":
        return days
    hours = [(2, 0), (9, 0), (9, 2), (9, 30), (14, 0), (23, 30)]
    usual = [dt.datetime.combine(day, dt.time(*hour)) for day in days[1:3] for hour in hours]
    return [*usual, *usual, dt.datetime(1985, 5, 5, 9), dt.datetime(2031, 1, 1, 9)]


def random_store(seed: int) -> duckdb.DuckDBPyConnection:
    """Every kind with rows made of right, wrong and missing values, many of them repeated."""
    dice = np.random.default_rng(seed)
    connection = in_memory()
    for kind in KINDS.values():
        columns = {"practice": pl.Series(dice.choice(IDS["practice"], ROWS))}
        for column in kind.columns:
            values = pool(kind.name, column)
            # Some columns are mostly filled in, some mostly empty, so that rules on several values get them.
            missing = dice.random(ROWS) < dice.choice([0.03, 0.3])
            chosen = dice.integers(0, len(values), ROWS)
            cells = [None if gone else values[i] for gone, i in zip(missing, chosen, strict=True)]
            columns[column.name] = pl.Series(cells, dtype=POLARS_TYPE[column.type])
        frame = pl.DataFrame(columns).with_row_index("source_row", 1)
        frame = frame.with_columns(batch_id=pl.lit(1), record_no="source_row")
        connection.register("frame", frame.to_arrow())
        connection.execute(f"insert into {kind.name} by name from frame")
        connection.unregister("frame")
    connection.execute(
        "insert into instruments_history by name "
        "select * replace (sterilisations + 1 as sterilisations) from instruments"
    )
    return connection


@pytest.fixture(scope="module", params=SEEDS, ids=lambda seed: f"seed{seed}")
def mess(request: pytest.FixtureRequest) -> Iterator[duckdb.DuckDBPyConnection]:
    with random_store(request.param) as connection:
        yield connection


def plain_run(connection: duckdb.DuckDBPyConnection, rules: list[Rule]) -> dict[str, set[int]]:
    """For each rule (all of one kind) the source rows that Great Expectations refuses, judged row by row."""
    with warnings.catch_warnings():  # Great Expectations itself imports deprecated modules
        warnings.simplefilter("ignore")
        import great_expectations as gx
        from great_expectations.expectations.expectation_configuration import ExpectationConfiguration

    today = f"date '{TODAY}'"
    judged = ", ".join(f'{rule.judged.replace("$today", today)} as "{rule.id}"' for rule in rules)
    frame = connection.execute(f"select source_row, {judged} from {rules[0].kind} as r order by source_row").df()
    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = {"globally": False, "metric_calculations": False}
    whole = gx.ExpectationSuite(name="plain")
    for rule in rules:
        kwargs = {**rule.expectation["kwargs"], "column": rule.id}
        whole.add_expectation_configuration(ExpectationConfiguration(type=rule.expectation["type"], kwargs=kwargs))
    asset = context.data_sources.add_pandas("plain").add_dataframe_asset("records")
    batch = asset.add_batch_definition_whole_dataframe("all").get_batch({"dataframe": frame})
    outcome = batch.validate(whole, result_format={"result_format": "COMPLETE", "include_unexpected_rows": False})
    found = {}
    for result in outcome.results:
        assert not result.exception_info.get("raised_exception"), result.exception_info
        refused = {int(frame["source_row"][i]) for i in result.result["unexpected_index_list"] or []}
        assert result.success == (not refused)
        found[result.expectation_config.kwargs["column"]] = refused
    return found


def faults(connection: duckdb.DuckDBPyConnection) -> dict[str, set[int]]:
    rows = connection.execute("select rule, source_row from faults").fetchall()
    found: dict[str, set[int]] = {}
    for rule, source_row in rows:
        assert source_row not in found.setdefault(rule, set()), "a rule refuses a row once"
        found[rule].add(source_row)
    return found


@pytest.mark.parametrize("name", [*KINDS, ACROSS])
def test_verdicts_are_those_of_a_plain_run_row_by_row(
    mess: duckdb.DuckDBPyConnection, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rules = list(suite(name))
    plain: dict[str, set[int]] = {}
    for kind in dict.fromkeys(rule.kind for rule in rules):
        plain |= plain_run(mess, [rule for rule in rules if rule.kind == kind])
    for few in (ROWS, 10):  # all rules' values in one query, and each rule's own
        monkeypatch.setattr("pipeline.checks.judge._FEW", few)
        create_faults(mess, "faults")
        verdicts = judge_each(mess, [(rule.kind, rule) for rule in rules], "faults", TODAY)
        found = faults(mess)
        for rule, refused in plain.items():
            assert found.get(rule, set()) == refused, (rule, few)
        assert {v.rule.id: (v.rows, v.refused) for v in verdicts} == {
            rule.id: (ROWS, len(found.get(rule.id, ()))) for rule in rules
        }


def test_the_random_tables_break_and_keep_every_rule() -> None:
    """The comparison above says nothing of a rule that they never broke."""
    seen: set[str] = set()
    for seed in SEEDS:
        with random_store(seed) as connection:
            create_faults(connection, "faults")
            verdicts = judge_each(connection, [(r.kind, r) for r in all_rules().values()], "faults", TODAY)
            seen |= {v.rule.id for v in verdicts if 0 < v.refused < ROWS}
    assert set(all_rules()) - seen == OF_MANY


def test_a_rule_with_thousands_of_distinct_values_is_judged_beside_those_with_few() -> None:
    rules = list(suite("visits"))
    with in_memory() as connection:
        connection.execute(
            """insert into visits
               (practice, visit_id, treatment_id, dentist, seated_at, left_at, reason, source_row, batch_id, record_no)
               select 'here', 'V' || i, 'T1', 'D1', timestamp '2024-03-04 09:00:00',
                      timestamp '2024-03-04 08:00:00' + to_seconds(i * 20), ['planned', 'odd'][1 + i % 2], i, 1, i
               from range(1, 3001) as numbers (i)"""
        )
        create_faults(connection, "faults")
        verdicts = judge(connection, "visits", rules, "faults", TODAY)
        found = faults(connection)
        assert {rule: refused for rule, refused in plain_run(connection, rules).items() if refused} == found
    refused = {v.rule.id: v.refused for v in verdicts if v.refused}
    assert refused["visit_minutes_out_of_range"] == 180 + 1380  # not after 09:00, or after 17:00
    assert refused["visit_reason_unknown"] == 1500


def test_a_fault_says_which_rule_why_and_what_is_done(store: Any) -> None:
    rule = all_rules()["visit_minutes_out_of_range"]
    with in_memory() as connection:
        connection.execute(
            "insert into visits (seated_at, left_at, batch_id, source_row, record_no) values "
            "('2024-03-04 09:00', '2024-03-04 08:30', 7, 12, 12), ('2024-03-04 09:00', '2024-03-04 10:00', 7, 13, 13), "
            "('2024-03-04 09:00', null, 7, 14, 14)"
        )
        create_faults(connection, "faults")
        (verdict,) = judge(connection, "visits", [rule], "faults", TODAY)
        assert (verdict.rows, verdict.refused) == (3, 1)
        (row,) = connection.execute("from faults").fetchall()
    reason = f"{rule.reason} Found: -30.0 minutes in the chair."
    assert row == (7, 12, 12, rule.id, reason, ["seated_at", "left_at"], "quarantine")


def test_today_is_the_day_that_is_given() -> None:
    rules = [all_rules()["visit_date_impossible"]]
    with in_memory() as connection:
        connection.execute("insert into visits (seated_at, left_at) values ('2024-03-04 09:00', '2024-03-04 10:00')")
        create_faults(connection, "faults")
        assert judge(connection, "visits", rules, "faults", dt.date(2024, 3, 3))[0].refused == 1
        assert judge(connection, "visits", rules, "faults", dt.date(2024, 3, 4))[0].refused == 0


def test_an_empty_table_breaks_no_rule() -> None:
    with in_memory() as connection:
        for kind in KINDS:
            create_faults(connection, "faults")
            verdicts = judge(connection, kind, suite(kind), "faults", TODAY)
            assert [(v.rows, v.refused) for v in verdicts] == [(0, 0)] * len(suite(kind))


def test_great_expectations_says_nothing(mess: duckdb.DuckDBPyConnection, capfd: pytest.CaptureFixture[str]) -> None:
    create_faults(mess, "faults")
    judge(mess, "visits", suite("visits"), "faults", TODAY)
    written = capfd.readouterr()
    assert (written.out, written.err) == ("", "")
