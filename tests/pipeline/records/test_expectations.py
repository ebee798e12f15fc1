"""The rules that follow from the record kinds: the suites say just what the TOML files say, both ways."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from typing import Any

import pytest

from pipeline.records import KINDS, Column, Kind
from pipeline.records.expectations import is_list, suite

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
    words = ("articaine", "none")
    new = suite(changed(KINDS["visits"], anaesthetic={"values": words}), text("visits"))
    rule = rules(new)["visit_anaesthetic_unknown"]
    assert (rule["kwargs"]["value_set"], rule["meta"]["action"]) == (list(words), "blank")
    assert rule["meta"]["reason"] == "The column anaesthetic holds none of: articaine, none."
    more = suite(changed(KINDS["visits"], anaesthetic={"values": (*words, "other")}), new)
    assert rules(more)["visit_anaesthetic_unknown"]["meta"]["reason"].endswith("none of: articaine, none, other.")
    assert suite(KINDS["visits"], more) == text("visits")
