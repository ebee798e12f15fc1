"""What each command prints where."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.records import KINDS
from pipeline.store.database import open_store

Run = Callable[..., Any]


def test_init_writes_settings_that_can_be_read_and_never_over_others(
    canalwise: Run, store: Path, small: Path, assert_one_line: Run
) -> None:
    ran = canalwise("init")
    assert (ran.code, ran.out) == (0, "canalwise.toml\n")
    assert_one_line(canalwise("init"), "canalwise.toml: exists already")
    text = Path("canalwise.toml").read_text(encoding="utf-8")
    assert canalwise("ingest", small, "--store", store).code == 0  # reads ./canalwise.toml
    with open_store(store) as connection:
        assert connection.execute("select distinct practice from batches").fetchall() == [("my-practice",)]
    # The examples behind # are right too.
    from pipeline.settings import load_settings

    lines = [re.sub(r"^# ?(?=\[|\w+ = )", "", line) for line in text.splitlines()]
    Path("all.toml").write_text("\n".join(lines), encoding="utf-8")
    sequence = load_settings(Path("all.toml")).sequences[0]
    assert sequence.step[0].speed_rpm == (250, 300)


def test_ingest_prints_a_line_a_file_and_says_nothing_more_when_quiet(store: Path, small: Path, canalwise: Run) -> None:
    ran = canalwise("ingest", small, "--store", store)
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert lines[0].split() == ["file", "kind", "read", "loaded", "unchanged", "superseded", "quarantined", "skipped"]
    assert lines[2].split() == ["canals.csv", "canals", "129", "129", "0", "0", "0", "no"]
    assert len(lines) == 2 + 8
    assert "Importing visits.csv: visits ..." in ran.err
    again = canalwise("ingest", small, "--store", store, "--quiet")
    assert (again.code, again.err) == (0, "")
    assert again.out.splitlines()[2].split() == ["canals.csv", "canals", "129", "0", "129", "0", "0", "yes"]


def test_ingest_as_json(store: Path, canalwise: Run, export: Run, sound: Run) -> None:
    path = export("visits.csv", [sound("visits"), sound("visits", visit_id="V2", left_at="soon")])
    ran = canalwise("ingest", path, "--store", store, "--json")
    assert ran.code == 1
    assert ran.json == {
        "files": [
            {
                "file": "visits.csv", "kind": "visits", "read": 2, "loaded": 1, "unchanged": 0, "superseded": 0,
                "quarantined": 1, "blanked": 0, "skipped": False,
            }
        ],
        "store": str(store),
    }  # fmt: skip
    assert "1 row was refused; `canalwise quarantine` lists them with their reasons." in ran.err
    # The same again: nothing new, and the same exit status, for the rows are still refused.
    again = canalwise("ingest", path, "--store", store, "--json")
    assert again.code == 1
    assert again.json["files"][0] | {"skipped": True, "loaded": 0, "unchanged": 1} == again.json["files"][0]


def test_check_as_json_and_as_tables(filled: Path, canalwise: Run, export: Run, sound: Run) -> None:
    ran = canalwise("check", "--store", filled, "--json")
    suites = {line["suite"]: line for line in ran.json["suites"]}
    assert set(suites) == {*KINDS, "across"}
    assert all(set(line) == {"suite", "expectations", "failed", "rows", "unexpected"} for line in suites.values())
    assert suites["instrument_uses"]["rows"] == 619
    assert ran.json["success"] == (ran.code == 0) == (not ran.json["findings"])

    canalwise(
        "ingest", export("visits.csv", [sound("visits", visit_id="V-NEW", treatment_id="T-NONE")]), "--store", filled
    )
    ran = canalwise("check", "--store", filled)
    assert ran.code == 1
    assert re.search(r"visits +visit_without_treatment +1 +The visit belongs to a treatment", ran.out)
    assert "Checking visits ..." in ran.err


def test_measure_as_json(filled: Path, small: Path, canalwise: Run) -> None:
    settings = ["--store", filled, "--settings", small / "canalwise.toml"]
    ran = canalwise("measure", "visits_per_tooth", "--by", "dentist", *settings, "--json")
    assert (ran.code, ran.err) == (0, "")
    found = ran.json
    assert {"measure", "title", "unit", "kind", "by", "rows", "left_out", "suppressed"} <= set(found)
    assert (found["measure"], found["by"]) == ("visits_per_tooth", ["dentist"])
    assert found["rows"]
    for row in found["rows"]:
        assert {"dentist", "n", "estimate", "low", "high"} <= set(row)
        assert row["low"] <= row["estimate"] <= row["high"]
    assert all(set(left) >= {"reason", "n"} for left in found["left_out"])
    share = canalwise("measure", "healed_share", *settings, "--json").json
    assert all({"n", "events", "estimate", "low", "high"} <= set(row) for row in share["rows"])
    rate = canalwise("measure", "separations_per_1000_uses", *settings, "--json").json
    assert all({"events", "exposure", "estimate", "low", "high"} <= set(row) for row in rate["rows"])
    assert canalwise("measure", "visits_per_tooth", *settings).out.startswith(f"{found['title']} ({found['unit']})\n")


def test_status_as_json_and_as_tables(filled: Path, canalwise: Run) -> None:
    ran = canalwise("status", "--store", filled, "--json")
    assert ran.code == 0
    assert set(ran.json["kinds"]) == set(KINDS)
    visits = ran.json["kinds"]["visits"]
    assert (visits["records"], visits["quarantined"]) == (102, 0)
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", visits["first"])
    assert visits["first"] <= visits["last"]
    assert [batch["file"] for batch in ran.json["batches"]][:2] == ["canals.csv", "contacts.csv"]
    plain = canalwise("status", "--store", filled).out
    assert re.search(r"^visits +102 +0 ", plain, re.MULTILINE)
    assert re.search(r"^ *1 +canals\.csv +canals ", plain, re.MULTILINE)


def test_measures_and_explain(canalwise: Run) -> None:
    listed = canalwise("measures", "--json").json["measures"]
    assert {"measure", "title", "unit", "kind"} == set(listed[0])
    names = [row["measure"] for row in listed]
    plain = canalwise("measures").out
    assert all(name in plain for name in names)
    for name in names[:3]:
        assert canalwise("explain", name).out
        assert canalwise("explain", name, "--json").json
