"""Units: what `measure` says of a figure's unit, and what its numbers are, are the same thing for every measure.

Checked against what a unit means: a share lies between 0 and 1, a rate is its events over its exposure times the scale
that its unit names. The figures are those of each measure's first worked example, which are counted by hand.
"""

from __future__ import annotations

import re
from typing import Any

import pytest

from pipeline.measures.catalogue import Measure, catalogue
from pipeline.measures.examples import run
from pipeline.measures.explain import worked
from pipeline.measures.run import Row
from pipeline.output.terminal import table

FIGURES = {name: m for name, m in catalogue().items() if m.kind not in ("list", "standards") and m.example}
PER = {1.0: "", 100.0: "per 100 ", 1000.0: "per 1,000 ", 100000.0: "per 100,000 "}
LIMITS = ("estimate", "low", "high")
COUNTS = {"n", "events", "n_reference", "events_reference", "not_recorded", "at_risk", "strata", "n_used", "patients"}


@pytest.mark.parametrize("name", catalogue())
def test_the_unit_names_the_scale_and_the_title_reads_on(name: str) -> None:
    measure = catalogue()[name]
    assert (re.findall(r"per 1[0,]* ", f"{measure.unit} ") or [""]) == [PER[measure.scale]]
    assert measure.title[0].isupper()
    assert not measure.title.endswith(".")
    assert measure.definition.endswith(".")
    assert measure.caption.endswith(".")
    if measure.kind not in ("list", "standards"):
        assert ("minutes" in measure.unit) == ("minutes" in name or name == "booking_overrun")


@pytest.mark.parametrize("name", FIGURES)
def test_figures_are_what_their_unit_says(name: str) -> None:
    measure = FIGURES[name]
    rows = run(measure, measure.example[0]).rows
    for row in rows:
        # A t interval of two or three units may reach below 0; its figure may not.
        shown = LIMITS[:1] if measure.kind == "amount" else LIMITS
        for value in (row[k] for k in shown if row.get(k) is not None):
            assert _possible(measure, value), (row, measure.unit)
        for column, value in row.items():
            if value is None or isinstance(value, bool):
                continue
            if column.endswith("_share") or column in ("p_value", "p_adjusted", "homogeneity_p"):
                assert 0 <= value <= 1, (column, row)
            if column in COUNTS:
                assert value == int(value) >= 0, (column, row)
        if measure.kind in ("rate", "share", "incidence", "checks") and row["estimate"] is not None:
            assert row["estimate"] == pytest.approx(row["events"] / _below(row) * measure.scale)
        if measure.kind == "amount" and row["estimate"] is not None:
            assert row["estimate"] == pytest.approx(row["total"] / row["n"])  # the total is in the figure's own unit


def _below(row: Row) -> float:
    return float(row.get("exposure") or row["n"])


def _possible(measure: Measure, value: float) -> bool:
    if measure.unit.split()[0] == "share":
        return 0 <= value <= 1
    if measure.unit == "difference of shares":
        return -1 <= value <= 1
    if measure.unit == "points on the 0 to 10 scale":
        return 0 <= value <= 10
    return value >= 0 or measure.unit == "minutes"  # a sitting can end before its booking does


@pytest.mark.parametrize(
    ("value", "printed"),
    [
        (37_162.87, "37163"),
        (1_592_914.5, "1592914"),
        (0.00009623, "0.0000962"),
        (0.8738, "0.8738"),
        (12.816, "12.82"),
        (230.0, "230"),
    ],
)
def test_no_figure_is_printed_with_an_exponent(value: float, printed: str, capsys: pytest.CaptureFixture[str]) -> None:
    table([{"total": value}])
    assert capsys.readouterr().out.split()[-1] == printed


def test_the_arithmetic_is_said_in_words() -> None:
    row = {"n": 3112, "estimate": 7.471, "low": 7.374, "high": 7.568, "total": 23251.0}
    said = worked(catalogue()["uses_per_instrument"], row, "canals")
    assert said == "total 23,251 canals: 23,251 / 3,112 = 7.471 (interval 7.374 to 7.568)"
    pain = worked(
        catalogue()["pain_after_visit"], {"n": 9, "estimate": 4.0, "low": 3.0, "high": 4.0}, "points on a scale"
    )
    assert pain == "the middle one of 9 values in order is 4 points on a scale (interval 3 to 4)"
    met = {"n": 4, "events": 3, "estimate": 0.75, "low": 0.3006, "high": 0.9544, "not_recorded": 2}
    assert worked(catalogue()["rubber_dam_share"], met, "share") == (
        "3 visits with rubber dam of 4 visits with rubber dam recorded, yes or no: 3 / 4 = 0.75 "
        "(interval 0.3006 to 0.9544); not recorded: 2"
    )


def test_times_and_empty_answers_are_told_in_words(canalwise: Any, filled: Any) -> None:
    printed = canalwise("measure", "instrument_life", "--store", filled).out
    assert printed.startswith("Instrument life (share still whole after so many uses; time in uses)\n")
    printed = canalwise("measure", "corrections", "--store", filled).out
    assert printed == "What the last import corrected (records)\nNothing to show.\n"
