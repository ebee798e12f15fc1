"""What `explain` says: the practice's own months, the formula, its own figures, and what they leave out."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from pipeline.measures.catalogue import catalogue, find
from pipeline.measures.explain import explained, explained_json, formula, own_words, worked
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import in_memory, open_store

OWN = Settings.model_validate(
    {"reporting": {"healed_after_months": 24, "recall_window_months": (10, 20), "confidence": 0.9}}
)
# Months that are no setting: how far back a forecast looks.
FIXED = re.compile(r"last 12 months of 30 days")


@pytest.mark.parametrize("name", catalogue())
def test_the_definition_has_the_practices_own_months(name: str) -> None:
    measure = find(name)
    for text in (measure.definition, measure.caption):
        own = FIXED.sub("", own_words(text, OWN))
        assert not re.search(r"\b12 (calendar )?months|\b9 to 18 month|\b9-18 month", own), own
        assert own_words(text, Settings()) == text


def test_healed_after_24_months_is_said_so() -> None:
    text = " ".join(explained(find("healed_share"), OWN).split())
    assert "At the latest follow-up at least 24 months after completion" in text
    assert (
        "Settings it follows: intervals of 90 %, groups of fewer than 5 are not reported, outcomes count from 24"
        in text
    )
    assert "12 months after completion" not in text
    recall = " ".join(explained(find("recall_share"), OWN).split())
    assert "the recall window is 10 to 20 months" in recall


@pytest.mark.parametrize("name", catalogue())
def test_every_measure_has_a_formula_and_can_be_explained_without_a_store(name: str) -> None:
    measure = find(name)
    assert len(formula(measure)) > 20
    text = explained(measure)
    assert "Formula: " in text
    assert "Source: " in text
    assert "records up to" not in text


def test_every_measure_is_explained_with_the_figures_of_a_store(filled: Path) -> None:
    with open_store(filled) as connection:
        workspace = Workspace(connection, Settings.model_validate({"reporting": {"smallest_group": 1}}))
        told = 0
        for measure in catalogue().values():
            text = explained(measure, workspace.settings, workspace)
            if "cannot answer it" in text:
                assert workspace.missing(measure.name)
                continue
            told += 1
            result = workspace.compute(measure.name)
            own = " ".join(text.rpartition("This practice")[2].split())
            assert workspace.as_of.isoformat() in own
            for left in result.left_out if measure.kind != "list" else ():
                assert f"{left['n']:,} - {left['reason']}" in own, measure.name
    assert told > 20


def test_the_arithmetic_that_is_printed_adds_up(filled: Path) -> None:
    """`x / n × scale = figure` of shares, rates and amounts is computed again from the text."""
    with open_store(filled) as connection:
        workspace = Workspace(connection, Settings.model_validate({"reporting": {"smallest_group": 1}}))
        checked = 0
        for measure in catalogue().values():
            if measure.kind not in ("share", "rate", "amount") or workspace.missing(measure.name):
                continue
            for row in workspace.compute(measure.name).rows:
                said = worked(measure, row, measure.unit).replace(",", "")
                sum_ = re.search(r"([\d.e+]+) / ([\d.e+]+)(?: × ([\d.e+]+))? = ([\d.e+-]+)", said)
                if sum_ is None:
                    continue
                above, below, times, figure = (float(x or 1) for x in sum_.groups())
                assert figure == pytest.approx(above / below * times, rel=2e-3), said
                checked += 1
    assert checked > 8


def test_an_example_says_how_its_figure_was_asked_for() -> None:
    text = explained(find("healed_share"))
    assert "  the figure, dentist D1 alone from 2024-01-01 to 2024-03-31, as of 2026-06-30:" in text
    assert "  the figure by sequence:" in explained(find("cost_per_canal"))
    asked = explained_json(find("chair_minutes_per_visit"))["example"][1]
    assert (asked["from"], asked["to"]) == ("2026-03-01", "2026-03-31")


def test_too_few_are_told_as_such() -> None:
    assert worked(find("healed_share"), {"n": 3, "events": None, "estimate": None, "too_few": True}, "share") == (
        "too few to report"
    )


def test_an_empty_store_cannot_answer_and_says_what_it_lacks() -> None:
    workspace = Workspace(in_memory(), Settings())
    text = explained(find("healed_share"), Settings(), workspace)
    assert "This practice's store cannot answer it: no treatments, no follow-ups." in text
    assert explained_json(find("healed_share"), Settings(), workspace)["own"] is None


def test_the_command_with_and_without_a_store(canalwise: Any, filled: Path) -> None:
    assert "This practice" not in canalwise("explain", "visits_per_tooth").out
    text = canalwise("explain", "visits_per_tooth", "--store", filled).out
    assert "This practice's own figures, records up to " in text
    own = canalwise("explain", "visits_per_tooth", "--store", filled, "--json").json["own"]
    assert own["rows"][0]["n"] > 0
    assert canalwise("explain", "visits_per_tooth", "--json").json["own"] is None
    missing = canalwise("explain", "visits_per_tooth", "--store", filled.parent / "none.duckdb")
    assert missing.code == 2
