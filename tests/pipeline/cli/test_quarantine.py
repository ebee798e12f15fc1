"""Refused rows listed and handed out."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

Run = Callable[..., Any]


def test_quarantine_lists_where_and_why(refused: Path, canalwise: Run) -> None:
    ran = canalwise("quarantine", "--store", refused)
    assert ran.code == 1
    assert re.search(r"^canals\.csv +2 +canals +", ran.out, re.MULTILINE)
    assert re.search(r"^visits\.csv +2 +visits +.*left_at: soon is not a date and time", ran.out, re.MULTILINE)
    rows = canalwise("quarantine", "--store", refused, "--json").json["rows"]
    assert [(row["file"], row["row"], row["kind"]) for row in rows] == [
        ("canals.csv", 2, "canals"),
        ("visits.csv", 2, "visits"),
        ("visits.csv", 3, "visits"),
    ]
    assert json.loads(rows[2]["record"])["visit_id"] == "V2"
    assert rows[2]["rules"] == ["visit_reason_unknown"]


def test_quarantine_filters(refused: Path, canalwise: Run, assert_one_line: Run) -> None:
    def rows(*how: str) -> list[Any]:
        return [row["row"] for row in canalwise("quarantine", "--store", refused, "--json", *how).json["rows"]]

    assert rows("--kind", "visits") == [2, 3]
    assert rows("--reason", "visit_reason_unknown") == [3]
    assert rows("--kind", "canals", "--reason", "visit_reason_unknown") == []
    assert canalwise("quarantine", "--store", refused, "--kind", "contacts").out == "Nothing is in quarantine.\n"
    assert canalwise("quarantine", "--store", refused, "--kind", "contacts").code == 0
    assert_one_line(canalwise("quarantine", "--store", refused, "--kind", "teeth"), "there is no record kind teeth")
    ran = canalwise("quarantine", "--store", refused, "--reason", "bad_mood")
    assert_one_line(ran, "nothing was refused or left empty by the rule bad_mood. Rules in quarantine: ")
    assert "visit_reason_unknown" in ran.err


def test_quarantine_export_is_text_that_no_spreadsheet_runs(
    refused: Path, canalwise: Run, tmp_path: Path, assert_one_line: Run
) -> None:
    out = tmp_path / "refused.csv"
    ran = canalwise("quarantine", "--store", refused, "--kind", "visits", "--out", out)
    assert (ran.code, ran.out) == (1, "")
    assert f"2 rows: {out}" in ran.err
    with out.open(encoding="utf-8", newline="") as file:
        first, second = csv.DictReader(file)
    assert first["visit_id"] == "'=cmd|' /C calc'!A0"
    assert first["chair"] == "'@A"
    assert first["booked_minutes"] == "-60"  # a number is no formula
    assert (first["refused: file"], first["refused: row"], first["refused: kind"]) == ("visits.csv", "2", "visits")
    assert (second["visit_id"], second["reason"]) == ("V2", "none of these")
    canalwise("quarantine", "--store", refused, "--kind", "canals", "--out", out)
    assert ',"-0,5"' in out.read_text()
    ran = canalwise("quarantine", "--store", refused, "--out", tmp_path / "refused.doc")
    assert_one_line(ran, "cannot tell the format from this name")
    ran = canalwise("quarantine", "--store", refused, "--kind", "visits", "--out", tmp_path / "none" / "refused.csv")
    assert_one_line(ran, "the folder does not exist. Make it first.")
