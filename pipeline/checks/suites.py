"""The rules: Great Expectations suites kept as JSON in expectations/, one a record kind and one across kinds."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from pipeline.records import KINDS

ACROSS = "across"


@dataclass(frozen=True)
class Rule:
    """One expectation with what a person must know of it.

    `judged` is an SQL expression over a record `r`: the value that the expectation judges. `action` is quarantine
    (the record is refused), blank (its cells `blanks` are emptied, of several those that the judged value names, and
    the record stays), warn or flag (it stays, marked). `affects` names measures, or tables of facts, whose unit is left
    out when it is built from a flagged record. `scope` says which records a verdict across kinds hangs on (touched.py);
    `if_any`, a kind or KIND.column, that the rule speaks only where the practice has such a record.
    """

    id: str
    kind: str
    expectation: dict[str, Any]
    judged: str
    action: str
    reason: str
    columns: tuple[str, ...]
    blanks: tuple[str, ...]
    show_value: bool
    shown_in: str
    affects: tuple[str, ...]
    scope: str = "whole"
    if_any: str = ""

    @property
    def judges_null(self) -> bool:
        """Only a not-null expectation has an opinion on an empty value."""
        return bool(self.expectation["type"] == "expect_column_values_to_not_be_null")


def _text(name: str) -> str:
    return (files("expectations") / f"{name}.json").read_text(encoding="utf-8")


@cache
def suite(name: str) -> tuple[Rule, ...]:
    """The rules of a suite: a record kind's, or those across kinds."""
    rules = []
    for expectation in json.loads(_text(name))["expectations"]:
        meta, column = expectation["meta"], expectation["kwargs"]["column"]
        columns = tuple(meta.get("columns", [column]))
        blanks = tuple(meta.get("blanks", columns)) if meta["action"] == "blank" else ()
        rules.append(
            Rule(
                id=meta["rule"],
                kind=meta.get("kind", name),
                expectation=expectation,
                judged=meta.get("sql", f'r."{column}"'),
                action=meta["action"],
                reason=meta["reason"],
                columns=columns,
                blanks=blanks,
                show_value=bool(meta.get("show_value", False)),
                shown_in=meta.get("shown_in", ""),
                affects=tuple(meta.get("affects", ())),
                scope=meta.get("scope", "whole"),
                if_any=meta.get("if_any", ""),
            )
        )
    return tuple(rules)


def all_rules() -> dict[str, Rule]:
    """Every rule by its id."""
    return {rule.id: rule for name in (*KINDS, ACROSS) for rule in suite(name)}


@cache
def fingerprint(name: str) -> str:
    """A hash of a suite's text: a file judged by these rules need not be judged by them again."""
    return hashlib.sha256(_text(name).encode()).hexdigest()[:16]
