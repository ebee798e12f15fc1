"""The rules that follow from the record kinds: the suites say just what the TOML files say, both ways."""

from __future__ import annotations

import datetime as dt
import json
import math
from dataclasses import replace
from importlib.resources import files
from typing import Any

import pytest

from pipeline.records import DATES, KINDS, Column, Kind, Range
from pipeline.records.expectations import is_list, is_range, suite

KIND = pytest.mark.parametrize("kind", KINDS.values(), ids=list(KINDS))


def text(kind: str) -> str:
    return (files("expectations") / f"{kind}.json").read_text(encoding="utf-8")


def rules(of: str) -> dict[str, Any]:
    return {rule["meta"]["rule"]: rule for rule in json.loads(of)["expectations"]}


def changed(kind: Kind, **columns: Any) -> Kind:
    """The kind with columns changed, and added where it has none of that name."""
    there = [replace(c, **columns.pop(c.name)) if c.name in columns else c for c in kind.columns]
    return replace(kind, columns=(*there, *(Column(name, **of) for name, of in columns.items())))


@KIND
def test_the_suites_are_as_the_kinds_have_it(kind: Kind) -> None:
    assert suite(kind, text(kind.name)) == text(kind.name), "run python -m pipeline.records.expectations"


@KIND
def test_every_list_is_that_of_its_rule_and_there_are_no_others(kind: Kind) -> None:
    of_rules = {
        rule["kwargs"]["column"]: (rule["kwargs"]["value_set"], rule["meta"]["action"] == "warn")
        for rule in rules(text(kind.name)).values()
        if is_list(rule)
    }
    of_columns = {
        c.name: ([*c.values, *c.usual_values], bool(c.usual_values)) for c in kind.columns if c.values or c.usual_values
    }
    assert of_rules == of_columns


@KIND
def test_the_reason_of_a_list_names_all_its_words(kind: Kind) -> None:
    for name, rule in rules(text(kind.name)).items():
        if is_list(rule) and isinstance(rule["kwargs"]["value_set"][0], str):
            assert [word for word in rule["kwargs"]["value_set"] if word not in rule["meta"]["reason"]] == [], name


@KIND
def test_what_is_required_and_what_should_be_there_is_what_the_rules_name(kind: Kind) -> None:
    found = rules(text(kind.name))
    (lacking,) = (
        rule["meta"]
        for name, rule in found.items()
        if name.endswith("_incomplete") and rule["meta"]["action"] == "quarantine"
    )
    partly = next((rule["meta"] for name, rule in found.items() if name.endswith("_partly_blank")), {"columns": []})
    assert tuple(lacking["columns"]) == kind.required
    assert tuple(partly["columns"]) == kind.expected
    for meta, names in ((lacking, kind.required), (partly, kind.expected)):
        assert [name for name in kind.names if f"then '{name}' end" in meta.get("sql", "")] == list(names)


def test_a_column_that_becomes_required_or_wanted_is_in_its_rule() -> None:
    kind = changed(KINDS["visits"], chair={"required": True}, rubber_dam={"type": "bool", "expected": True})
    found = rules(suite(kind, text("visits")))
    assert found["visit_incomplete"]["meta"]["columns"] == ["visit_id", "treatment_id", "chair", "seated_at", "left_at"]
    assert "case when coalesce(r.chair, '') = '' then 'chair' end" in found["visit_incomplete"]["meta"]["sql"]
    assert found["visit_partly_blank"]["meta"]["columns"] == ["dentist", "rubber_dam"]
    assert "case when r.rubber_dam is null then 'rubber_dam' end" in found["visit_partly_blank"]["meta"]["sql"]


def test_the_rule_on_what_should_be_there_comes_and_goes() -> None:
    wanted = suite(changed(KINDS["contacts"], pain_score={"expected": True}), text("contacts"))
    rule = rules(wanted)["contact_partly_blank"]
    assert rule["meta"]["columns"] == ["pain_score"]
    assert rule["meta"]["reason"].startswith("A contact lacks something that should be there")
    assert suite(KINDS["contacts"], wanted) == text("contacts")


def test_a_list_comes_grows_and_goes() -> None:
    words = ("A1", "A2")
    new = suite(changed(KINDS["visits"], shade={"values": words}), text("visits"))
    rule = rules(new)["visit_shade_unknown"]
    assert (rule["kwargs"]["value_set"], rule["meta"]["action"]) == (list(words), "blank")
    assert rule["meta"]["reason"] == "The column shade holds none of: A1, A2."
    more = suite(changed(KINDS["visits"], shade={"values": (*words, "other")}), new)
    assert rules(more)["visit_shade_unknown"]["meta"]["reason"].endswith("none of: A1, A2, other.")
    assert suite(KINDS["visits"], more) == text("visits")


@KIND
def test_every_range_is_that_of_its_rule_and_there_are_no_others(kind: Kind) -> None:
    of_rules = {}
    for rule in rules(text(kind.name)).values():
        if is_range(rule):
            kwargs, meta = rule["kwargs"], rule["meta"]
            ends = kwargs.get("min_value", -math.inf), kwargs.get("max_value", math.inf)
            of_rules[kwargs["column"], meta["action"]] = (*ends, meta["reason"], meta["source"])
    of_columns = {
        (c.name, action): (of.low, of.high, of.reason, of.source)
        for c in kind.columns
        for of, action in ((c.range, "quarantine" if c.required else "blank"), (c.usual_range, "warn"))
        if of and not of.rule
    }
    assert of_rules == of_columns


@KIND
def test_the_reason_of_a_range_names_both_ends(kind: Kind) -> None:
    for column in kind.columns:
        for range_ in (column.range, column.usual_range):
            ends = [abs(end) for end in (range_.low, range_.high) if math.isfinite(end)] if range_ else []
            for end in ends:
                in_words = "one day" if (column.name, end) == ("booked_minutes", 1440) else f"{end:,}"
                assert range_ and (range_.rule or in_words in range_.reason), column.name


@KIND
def test_every_date_is_judged_by_one_rule_that_refuses_it_where_it_is_required(kind: Kind) -> None:
    found = [rule["meta"] for name, rule in rules(text(kind.name)).items() if name.endswith("_date_impossible")]
    judged = {name: meta["action"] for meta in found for name in meta["columns"]}
    assert judged == {c.name: "quarantine" if c.required else "blank" for c in kind.columns if c.type in DATES}
    assert sum(len(meta["columns"]) for meta in found) == len(judged)


def test_a_range_comes_changes_and_goes() -> None:
    ml = Range(0, 20.5, "Between 0 and 20.5 ml are given.", "common practice, no source")
    usual = Range(-math.inf, 9, "More than 9 ml are unusual.", "common practice, no source")
    new = suite(
        changed(KINDS["visits"], dose_ml={"type": "decimal", "range": ml, "usual_range": usual}), text("visits")
    )
    rule = rules(new)["visit_dose_ml_out_of_range"]
    assert rule["type"] == "expect_column_values_to_be_between"
    assert rule["kwargs"] == {"column": "dose_ml", "min_value": 0, "max_value": 20.5}
    assert (rule["meta"]["action"], rule["meta"]["reason"]) == ("blank", ml.reason)
    warns = rules(new)["visit_dose_ml_unusual"]
    assert (warns["kwargs"], warns["meta"]["action"]) == ({"column": "dose_ml", "max_value": 9}, "warn")
    needed = {"type": "decimal", "range": replace(ml, high=30, reason="0 to 30."), "required": True}
    more = suite(changed(KINDS["visits"], dose_ml=needed), new)
    rule = rules(more)["visit_dose_ml_out_of_range"]
    assert (rule["kwargs"]["max_value"], rule["meta"]["reason"]) == (30, "0 to 30.")
    assert rule["meta"]["action"] == "quarantine" and "visit_dose_ml_unusual" not in rules(more)
    assert suite(KINDS["visits"], more) == text("visits")


def test_a_rule_that_columns_share_comes_changes_and_goes() -> None:
    def of(**columns: Any) -> dict[str, Any]:
        ranges = {
            name: {"type": "decimal", "range": Range(*ends, rule="visit_number_impossible")}
            for name, ends in columns.items()
        }
        return dict(ranges)

    new = suite(changed(KINDS["visits"], **of(dose_ml=(0, 1e9), pauses=(0, math.inf))), text("visits"))
    meta = rules(new)["visit_number_impossible"]["meta"]
    assert (meta["action"], meta["columns"]) == ("blank", ["dose_ml", "pauses"])
    assert meta["sql"] == (
        "concat_ws(', ', case when r.dose_ml not between 0 and 1e9 then 'dose_ml' end, "
        "case when r.pauses < 0 then 'pauses' end)"
    )
    fewer = suite(changed(KINDS["visits"], **of(pauses=(-math.inf, 4.5))), new)
    meta = rules(fewer)["visit_number_impossible"]["meta"]
    assert meta["sql"] == "concat_ws(', ', case when r.pauses > 4.5 then 'pauses' end)"
    assert suite(KINDS["visits"], fewer) == text("visits")


def test_columns_that_share_a_rule_have_it_do_one_thing() -> None:
    shared = Range(0, 9, rule="visit_number_impossible")
    columns: dict[str, Any] = {"a": {"type": "int", "range": shared}, "b": {"type": "int", "usual_range": shared}}
    with pytest.raises(ValueError, match="visit_number_impossible would have it blank and warn"):
        suite(changed(KINDS["visits"], **columns), text("visits"))


def test_the_rule_on_dates_grows_comes_and_goes() -> None:
    dates: dict[str, Any] = {
        "called_at": {"type": "timestamp"},
        "next_on": {"type": "date", "not_before": dt.date(1990, 6, 1), "not_after": dt.date(2099, 12, 31)},
    }
    new = suite(changed(KINDS["visits"], **dates), text("visits"))
    meta = rules(new)["visit_other_date_impossible"]["meta"]
    assert (meta["action"], meta["columns"]) == ("blank", ["called_at", "next_on"])
    assert meta["sql"] == (
        "concat_ws(', ', case when cast(r.called_at as date) > $today then 'called_at in the future' end, "
        "case when cast(r.called_at as date) < date '1950-01-01' or cast(r.called_at as date) = date '1970-01-01' "
        "then 'called_at before 1950 or zero of a clock' end, "
        "case when r.next_on < date '1990-06-01' then 'next_on before 1990-06-01' end, "
        "case when r.next_on > date '2099-12-31' then 'next_on after 2099' end)"
    )
    assert rules(new)["visit_date_impossible"] == rules(text("visits"))["visit_date_impossible"]
    assert suite(KINDS["visits"], new) == text("visits")
    grown = rules(suite(changed(KINDS["visits"], called_on={"type": "date", "required": True}), text("visits")))
    assert grown["visit_date_impossible"]["meta"]["columns"] == ["seated_at", "left_at", "called_on"]
