"""The suites as data: complete, buildable by Great Expectations, runnable by DuckDB."""

from __future__ import annotations

import re
from collections import Counter

from pipeline.checks import suites as suites_module
from pipeline.records import KINDS

# A rule is asked once for each distinct value, so its verdict may depend on nothing but that value.
JUDGES_ONE_VALUE = {
    "expect_column_values_to_be_between",
    "expect_column_values_to_be_in_set",
    "expect_column_values_to_not_be_in_set",
    "expect_column_values_to_match_regex",
    "expect_column_values_to_not_match_regex",
    "expect_column_value_lengths_to_be_between",
    "expect_column_values_to_not_be_null",
}
# Refused values of these may be shown: lists of our own words, numbers, codes. Stored texts never are.
TEXT = {(kind.name, column.name) for kind in KINDS.values() for column in kind.columns if column.type == "text"}


def test_there_is_a_suite_for_each_kind_and_one_across(suites):
    assert set(suites) == {*KINDS, "across"}
    for name, suite in suites.items():
        assert suite["name"] == name
        assert suite["meta"]["about"].endswith(".")
        assert suite["expectations"]


def test_each_rule_has_its_own_name_over_all_suites(suites):
    names = Counter(one["meta"]["rule"] for suite in suites.values() for one in suite["expectations"])
    assert [name for name, times in names.items() if times > 1] == []
    assert all(re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", name) for name in names)


def test_a_rule_says_what_happens_why_and_who_says_so(rule):
    assert rule.meta["reason"].endswith(".")
    assert rule.meta["source"]
    if rule.suite == "across":
        assert rule.meta["action"] == "flag"
        assert rule.kind in KINDS
        assert isinstance(rule.meta["affects"], list)
    else:
        assert rule.meta["action"] in ("quarantine", "blank", "warn")
        assert "affects" not in rule.meta


def test_a_rule_blanks_only_what_may_be_empty(record_rule):
    if record_rule.meta["action"] == "blank":
        blanks = record_rule.meta.get("blanks", record_rule.meta["columns"])
        assert set(blanks) <= set(record_rule.meta["columns"])
        assert not set(blanks) & set(KINDS[record_rule.kind].required)
    else:
        assert "blanks" not in record_rule.meta


def test_only_keys_and_what_else_is_required_refuse_a_record(record_rule):
    """Or dates of it that contradict each other, and what says of the tooth that it is there and lost."""
    if record_rule.meta["action"] == "quarantine":
        kind = KINDS[record_rule.kind]
        looked_at = {kind.column(name) for name in record_rule.meta["columns"]}
        assert any(column.required for column in looked_at)
        needless = {column.name for column in looked_at if not column.required and column.type != "date"}
        assert needless <= {"lost_reason"}
        blank = [
            rule
            for rule in suites_module.suite(record_rule.kind)
            if rule.action == "blank" and set(rule.blanks) & needless
        ]
        assert not needless or blank, "an unknown word there is a blanked cell before it can contradict anything"


def test_a_rule_points_at_columns_of_its_kind(rule):
    names = KINDS[rule.kind].names
    assert rule.meta["columns"]
    assert set(rule.meta["columns"]) <= set(names)
    if "sql" in rule.meta:
        assert rule.column == rule.meta["rule"], "a derived value is named after its rule"
        assert rule.column not in names
    else:
        assert rule.meta["columns"] == [rule.column]
        assert rule.meta.get("show_value", False) is ((rule.kind, rule.column) not in TEXT)


def test_a_rule_on_one_record_reads_just_the_columns_it_points_at(record_rule):
    read = set(re.findall(r"\br\.(\w+)", record_rule.meta.get("sql", f"r.{record_rule.column}")))
    assert read == set(record_rule.meta["columns"])


def test_great_expectations_builds_each_suite(suites, judge):
    from great_expectations.core.expectation_suite import ExpectationSuite

    for suite in suites.values():
        built = ExpectationSuite(**suite)
        assert [one.expectation_type for one in built.expectations] == [one["type"] for one in suite["expectations"]]
        assert {one["type"] for one in suite["expectations"]} <= JUDGES_ONE_VALUE


def test_duckdb_runs_each_rule_on_empty_tables(rule, judged_values):
    assert judged_values(rule, {}) == []


def test_every_declared_key_and_required_column_has_a_rule(suites):
    for name, kind in KINDS.items():
        lacking = [one["meta"] for one in suites[name]["expectations"] if one["meta"]["rule"].endswith("_incomplete")]
        required = next(meta for meta in lacking if meta["action"] == "quarantine")
        assert tuple(required["columns"]) == kind.required


def test_every_date_column_has_a_rule(suites):
    for name, kind in KINDS.items():
        dated = {column.name for column in kind.columns if column.type in ("date", "timestamp")}
        impossible = [m["meta"] for m in suites[name]["expectations"] if m["meta"]["rule"].endswith("_date_impossible")]
        assert sorted(column for meta in impossible for column in meta["columns"]) == sorted(dated)


def test_what_is_doubtful_of_a_life_is_doubtful_of_its_hazard(suites):
    """Both are made of the same uses of the same instruments."""
    affected = [one["meta"].get("affects", ()) for one in suites["across"]["expectations"]]
    both = [{"instrument_life", "instrument_hazard"} & set(names) for names in affected]
    assert any(both) and all(len(names) in (0, 2) for names in both)
