"""What a spreadsheet would run and what a terminal would obey leaves as harmless text."""

from __future__ import annotations

import json

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.output.escape import (
    escape_formula,
    escape_json,
    escape_terminal,
    unescape_formula,
    unescape_formulas,
)
from pipeline.output.text import csv_text

# CWE-1236 and OWASP ASVS 5, 1.2.10: =, +, -, @, tab and carriage return; full-width signs; blanks or breaks in front.
RUN = ["=1+1", "+cmd", "-cmd|' /C'!A0", "@SUM(A1)", "\tx", "\rx", "\nx", "\n=1", " =1+1", "\x00=1"]
RUN += ["＝1+1", "＋1x", "－x", "＠x"]
HARMLESS = ["", "T1", "-0.5", "+1", "-12,5", "1=1", "'=1", "’", "MB2", "3-4"]


@pytest.mark.parametrize("text", RUN)
def test_what_a_spreadsheet_would_run_gets_an_apostrophe(text: str) -> None:
    assert escape_formula(text) == f"'{text}"


@pytest.mark.parametrize("text", HARMLESS)
def test_other_text_stays(text: str) -> None:
    assert escape_formula(text) == text


@given(st.text(max_size=12))
def test_what_was_escaped_comes_back(text: str) -> None:
    assert unescape_formula(escape_formula(text)) == text or text.startswith("'")


@given(st.lists(st.text(max_size=8), min_size=1) | st.lists(st.sampled_from([*RUN, *HARMLESS]), min_size=1))
def test_columns_come_back_as_single_texts_do(texts: list[str]) -> None:
    for shown in ([escape_formula(text) for text in texts], texts):
        frame = pl.DataFrame({"c0": shown})
        assert frame.select(unescape_formulas(pl.col("c0")))["c0"].to_list() == [unescape_formula(t) for t in shown]


def test_json_holds_nothing_that_a_terminal_obeys_and_says_the_same() -> None:
    said = {"note": "\x1b[2J\x9b31m\x7f\u202eabc", "plain": "Müller–Žák 歯"}
    text = escape_json(json.dumps(said, ensure_ascii=False))
    assert json.loads(text) == said
    assert "Müller–Žák 歯" in text
    assert escape_terminal(text) == text


def test_cells_of_text_files_are_escaped_and_numbers_stay_numbers() -> None:
    assert csv_text(["=a", "b"], [["=1+1", -1.5], [None, float("nan")], [True, [1, "@x"]]]) == (
        "'=a,b\r\n'=1+1,-1.5\r\n,\r\ntrue,1; @x\r\n"
    )
    assert csv_text(["a"], [[np.float64(0.1)], [3]]) == "a\r\n0.1\r\n3\r\n"
    assert csv_text(["a"], [["x;y"]], delimiter=";", line_end="\n", above=1) == '\na\n"x;y"\n'


def test_a_terminal_is_told_nothing_by_records() -> None:
    assert escape_terminal("\x1b[2J\x07a\nb") == "␛[2J␇a\nb"
    assert escape_terminal("a\nb\tc", lines=False) == "a␊b␉c"
    assert escape_terminal("\x9b31m\u202eabc\u2066") == "\\u009b31m\\u202eabc\\u2066"
    assert escape_terminal("Müller–Žák 歯") == "Müller–Žák 歯"
