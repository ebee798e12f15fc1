"""Verdicts that a store keeps are those that Great Expectations gave, and a usual month needs no others."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.checks import remembered
from pipeline.store.database import in_memory, open_store

LIMITS = (json.dumps(["expect_column_values_to_be_between", {"max_value": 40, "min_value": 5}]), True)
WORDS = (json.dumps(["expect_column_values_to_be_in_set", {"value_set": ["", "crown"]}]), False)
NOTES = (json.dumps(["expect_column_values_to_not_match_regex", {"regex": "broke"}]), False)
MANY = [f"it broke, {n}" for n in range(500)]

NUMBERS = st.lists(st.one_of(st.integers(-10, 60), st.floats(-10, 60, allow_nan=False)), max_size=8)


@given(NUMBERS, NUMBERS, NUMBERS)
def test_numbers_are_accepted_and_refused_as_their_limits_would_have_it_or_asked_about(
    first: list[float], second: list[float], asked: list[float]
) -> None:
    with in_memory() as connection:
        for numbers in (first, second):
            remembered.keep(connection, {LIMITS: {n: not 5 <= n <= 40 for n in numbers}})
        found = remembered.known(connection, {LIMITS: asked}).get(LIMITS, {})
    assert {n: not 5 <= n <= 40 for n in found} == found
    accepted = [n for n in first + second if 5 <= n <= 40]
    if accepted:
        assert found.keys() >= {n for n in asked if min(accepted) <= n <= max(accepted)}


def test_what_lies_between_the_accepted_and_the_refused_is_not_known() -> None:
    with in_memory() as connection:
        remembered.keep(connection, {LIMITS: {10: False, 30: False, 2: True, 50: True, 90: True}})
        asked = [1, 2, 3, 10, 20, 30, 45, 50, 70, math.nan]
        found = remembered.known(connection, {LIMITS: asked})[LIMITS]
    assert found == {1: True, 2: True, 10: False, 20: False, 30: False, 50: True, 70: True}


def test_numbers_that_were_all_refused_tell_of_no_limit() -> None:
    with in_memory() as connection:
        remembered.keep(connection, {LIMITS: {50: True}})
        assert remembered.known(connection, {LIMITS: [50, 60]}) == {}


def test_of_a_text_no_word_is_kept_and_of_many_notes_nothing() -> None:
    with in_memory() as connection:
        remembered.keep(connection, {WORDS: {"crown": False, "Maria Muster": True}, NOTES: dict.fromkeys(MANY, True)})
        assert remembered.known(connection, {WORDS: ["crown", "Maria Muster", "amalgam"]}) == {
            WORDS: {"crown": False, "Maria Muster": True}
        }
        kept = str(connection.execute("from value_verdicts").fetchall())
        assert "crown" not in kept and "Muster" not in kept
        assert remembered.known(connection, {NOTES: MANY}) == {}


def test_another_expectation_or_release_is_asked_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    other = (WORDS[0].replace("crown", "onlay"), False)
    with in_memory() as connection:
        remembered.keep(connection, {WORDS: {"crown": False}})
        assert remembered.known(connection, {other: ["crown"]}) == {}
        monkeypatch.setattr(remembered, "_release", lambda: "another")
        assert remembered.known(connection, {WORDS: ["crown"]}) == {}


SCRIPT = """
import sys
from pathlib import Path
from pipeline.importing.ingest import ingest
list(ingest(Path(sys.argv[1]), [Path(sys.argv[2])]))
print("great_expectations" in sys.modules, "pandas" in sys.modules)
"""


def test_a_usual_month_loads_no_great_expectations(
    store: Path, sound: Callable[..., Any], export: Callable[..., Path]
) -> None:
    """Each import in a process of its own: the first asks, the second knows, the third asks of what is new."""

    def imported(number: int, **changes: str) -> tuple[str, list[Any]]:
        visits = [{"visit_id": f"V{number}", "seated_at": f"2024-03-{number + 3:02} 09:00"}]
        visits += [{"visit_id": f"V{number}0", "seated_at": f"2024-03-{number + 3:02} 11:00"}]
        rows = [
            sound("visits", treatment_id=f"T{number}", **visit, left_at=visit["seated_at"].replace(":00", f":{left}"))
            | changes
            for visit, left in zip(visits, ("30", "50"), strict=True)
        ]
        path = export(f"visits-{number}.csv", rows)
        run = subprocess.run(
            [sys.executable, "-c", SCRIPT, store, path], capture_output=True, text=True, check=True, timeout=120
        )
        with open_store(store) as connection:
            refused = connection.execute("select source_file, rules from quarantine order by all").fetchall()
        return run.stdout.strip(), refused

    assert imported(1, booked_minutes="70") == ("True True", [])
    assert imported(2, booked_minutes="70") == ("False False", [])
    loaded, refused = imported(3, booked_minutes="-5")
    assert loaded == "True True" and len(refused) == 2
