"""The command line: what each command prints where, and that whatever goes wrong is one line and no traceback."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer

from pipeline import cli
from pipeline.records import KINDS
from pipeline.store.database import open_store

Run = Callable[..., Any]
COMMANDS = sorted(typer.main.get_command(cli.app).commands)  # type: ignore[attr-defined]
HEAVY = {"pandas", "great_expectations", "altair", "statsmodels", "scipy", "polars", "duckdb", "vl_convert", "numpy"}
ESCAPE = "\x1b"


def fresh(*arguments: object, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command line in an interpreter of its own, its output piped."""
    wanted = {k: v for k, v in os.environ.items() if not k.startswith(("COV_", "CANALWISE", "COLUMNS"))} | environment
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *map(str, arguments)],
        capture_output=True, text=True, env=wanted, timeout=120, check=False,
    )  # fmt: skip


# --- help ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(canalwise: Run, command: str) -> None:
    ran = canalwise(command, "--help")
    assert (ran.code, ran.err) == (0, "")
    assert f"canalwise {command}" in ran.out


def test_help_and_version(canalwise: Run) -> None:
    ran = canalwise("--help")
    assert ran.code == 0
    assert all(command in ran.out for command in COMMANDS)
    assert canalwise("-h").out == ran.out
    assert re.fullmatch(r"canalwise \d+\.\d+\.\d+\n", canalwise("--version").out)
    nothing = canalwise()
    assert nothing.code == 2
    assert "Commands" in nothing.out


def test_help_and_mistakes_answer_without_loading_what_is_slow(tmp_path: Path) -> None:
    ask = (
        "import sys\nfrom pipeline import cli\nsys.argv = ['canalwise', *sys.argv[1:]]\n"
        "try:\n    cli.main()\nexcept SystemExit: pass\n"
        "print('LOADED', *sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    for arguments in (
        ["--help"],
        ["ingest", "--help"],
        ["measure"],
        ["nonsense"],
        ["init", "--out", str(tmp_path / "c.toml")],
    ):
        done = subprocess.run([sys.executable, "-c", ask, *arguments], capture_output=True, text=True, check=True)
        loaded = set(done.stdout.rpartition("LOADED")[2].split())
        assert "typer" in loaded
        assert loaded & HEAVY == set(), arguments


# --- mistakes --------------------------------------------------------------------------------------------------------


def assert_one_line(ran: Any, says: str) -> None:
    assert ran.code == 2, ran
    assert ran.out == ""
    assert ran.err.count("\n") == 1
    assert ran.err.startswith("canalwise: ")
    assert says in ran.err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["nonsense"], "No such command 'nonsense'. `canalwise --help`"),
        (["ingest"], "give either PATH... to import, or --undo BATCH. `canalwise ingest --help`"),
        (["explain"], "Missing argument 'NAME'. `canalwise explain --help`"),
        (["status", "--nonsense"], "No such option: --nonsense"),
        (["quarantine", "--kind"], "Option '--kind' requires an argument"),
        (["status", "too", "many"], "too many"),
        (["measure", "nonsense"], "nonsense"),
        (["explain", "nonsense"], "nonsense"),
        (["report", "nonsense"], "there is no report nonsense"),
        (["report", "--month", "2026-13"], "--month 2026-13-01 is not a date"),
        (["measure", "healed_share", "--from", "soon"], "--from soon is not a date. Write it as 2026-03-31"),
        (["measure", "healed_share", "--to", "2026-02-30"], "--to 2026-02-30 is not a date"),
        (["measure", "healed_share", "--from", "2026-02-01", "--to", "2026-01-01"], "is after --to 2026-01-01"),
        (["measure", "healed_share", "--out", "figures.docx"], "figures.docx"),
        (["status"], "there is no store here"),
        (["check"], "there is no store here"),
        (["quarantine"], "there is no store here"),
        (["measure", "healed_share"], "there is no store here"),
        (["report"], "there is no store here"),
    ],
)
def test_wrong_usage_is_one_line(canalwise: Run, arguments: list[str], says: str) -> None:
    assert_one_line(canalwise(*arguments), says)


BAD_FILES: dict[str, tuple[bytes, str]] = {
    "empty.csv": (b"", "the file is empty"),
    "blank.csv": (b"\n\n", "the file is empty"),
    "bills.csv": (b"no,amount\n1,2\n", "nearest is incidents. Columns seen: no, amount"),
    "headless.csv": (b"P4711,Muster Anna\nP4712,Muster Max\n", "none of its 2 columns has a name of ours. Rename"),
    "visits.csv": (b"visit_id,treatment_id,dentist,seated_at\n", "nearest is visits, which also needs left_at"),
    "binary.csv": (b"\x89PNG\r\n\x1a\n\0\0\0", "is not a text file"),
    "latin.csv": (
        "contact_id,treatment_id,contacted_at\nCé,1,2\n".encode("latin-1"),
        "line 2: byte 38 is not UTF-8 text",
    ),
    "book.xlsx": (b"no workbook", "is not an .xlsx or .ods workbook"),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_an_export_that_cannot_be_read_is_one_line_and_leaves_the_store_alone(
    filled: Path, small: Path, canalwise: Run, tmp_path: Path, name: str
) -> None:
    content, says = BAD_FILES[name]
    path = tmp_path / name
    path.write_bytes(content)
    before = filled.read_bytes()
    assert_one_line(canalwise("ingest", path, "--store", filled), says)
    assert filled.read_bytes() == before
    beside = canalwise("ingest", small, path, "--store", filled)
    assert beside.code == 1, "the others are taken in"
    assert says in beside.err
    assert f"Left out: {path}" in beside.err


def test_a_wrong_path_kind_or_column_is_one_line(store: Path, small: Path, canalwise: Run, tmp_path: Path) -> None:
    assert_one_line(canalwise("ingest", tmp_path / "none", "--store", store), "no such file or folder")
    assert_one_line(canalwise("ingest", tmp_path, "--store", store), "the folder has no .csv or .xlsx files")
    visits = small / "visits.csv"
    assert_one_line(canalwise("ingest", visits, "--as", "teeth", "--store", store), "there is no record kind teeth")
    assert_one_line(
        canalwise("ingest", visits, "--as", "canals", "--store", store), "lacks the columns canal of canals"
    )
    assert not store.exists()


BAD_SETTINGS: dict[str, tuple[str | None, str]] = {
    "missing": (None, "no such settings file"),
    "not TOML": ("practice = \n", "the settings file is not valid TOML"),
    "unknown key": ('practise = "x"\n', "practise: Extra inputs are not permitted"),
    "wrong type": ('[reporting]\nsmallest_group = "few"\n', "reporting.smallest_group"),
    "out of range": ("[reporting]\nconfidence = 95\n", "reporting.confidence"),
    "no such zone": ('time_zone = "Europe/Nowhere"\n', "time_zone: is no time zone name such as Europe/Warsaw"),
    "empty practice": ('practice = ""\n', "practice"),
}


@pytest.mark.parametrize("what", BAD_SETTINGS)
@pytest.mark.parametrize("command", ["ingest", "measure"])
def test_settings_that_cannot_be_read_are_one_line(
    filled: Path, small: Path, canalwise: Run, tmp_path: Path, what: str, command: str
) -> None:
    text, says = BAD_SETTINGS[what]
    path = tmp_path / "settings.toml"
    if text is not None:
        path.write_text(text)
    before = filled.read_bytes()
    arguments = ["ingest", small] if command == "ingest" else ["measure", "visits_per_tooth"]
    assert_one_line(canalwise(*arguments, "--store", filled, "--settings", path), says)
    assert filled.read_bytes() == before


def test_settings_that_are_a_folder_or_not_utf8_are_one_line(
    filled: Path, small: Path, canalwise: Run, tmp_path: Path
) -> None:
    path = tmp_path / "settings.toml"
    path.write_bytes(b'practice = "M\xfcller"\n')
    ask = ["ingest", small, "--store", filled, "--settings"]
    assert_one_line(canalwise(*ask, path), "the settings file is not UTF-8 text (byte 13)")
    assert_one_line(canalwise(*ask, tmp_path), "the settings file cannot be read (Is a directory)")


@pytest.mark.parametrize("command", ["ingest", "status", "check", "quarantine", "measure", "report"])
def test_what_is_no_store_is_one_line_and_stays_as_it_is(
    small: Path, canalwise: Run, tmp_path: Path, command: str
) -> None:
    arguments = {"ingest": ["ingest", small], "measure": ["measure", "visits_per_tooth"]}.get(command, [command])
    note = tmp_path / "note.txt"
    note.write_text("not a store\n" * 500)
    assert_one_line(canalwise(*arguments, "--store", note), "is not a store (not a DuckDB database)")
    assert note.read_text() == "not a store\n" * 500
    assert_one_line(canalwise(*arguments, "--store", tmp_path), "is a folder, not a store")
    assert not list(tmp_path.glob("*.key")) + list(tmp_path.parent.glob("*.key"))


HOLD = """
import sys
from pathlib import Path
from pipeline.store.database import open_store
with open_store(Path(sys.argv[1]), write=True):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_store_that_another_process_holds_is_one_line(filled: Path, small: Path, canalwise: Run) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(filled)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        says = "another program holds the store open. Close it and try again"
        for arguments in (["ingest", small], ["status"], ["check"], ["measure", "visits_per_tooth"]):
            assert_one_line(canalwise(*arguments, "--store", filled), says)
        other.communicate("")
    assert canalwise("status", "--store", filled).code == 0


def test_a_group_that_a_measure_does_not_know_is_one_line(filled: Path, canalwise: Run) -> None:
    assert_one_line(canalwise("measure", "visits_per_tooth", "--by", "star_sign", "--store", filled), "star_sign")


def test_a_fault_of_the_program_is_one_line_that_holds_no_value(
    filled: Path, small: Path, canalwise: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*arguments: object, **named: object) -> None:
        raise ValueError("could not convert 'Annegret Zwiebelfuss' to a number")

    monkeypatch.setattr("pipeline.store.status.status", fails)
    ran = canalwise("status", "--store", filled)
    assert ran.code == 3
    assert ran.err.count("\n") == 1
    assert "a fault of the program (ValueError in test_cli.py, line" in ran.err
    assert "Annegret" not in ran.err
    monkeypatch.setenv("CANALWISE_TRACEBACK", "1")
    with pytest.raises(ValueError, match="Annegret"):
        canalwise("status", "--store", filled)


def test_a_full_disk_is_the_users_to_mend(filled: Path, canalwise: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*arguments: object, **named: object) -> None:
        raise OSError(28, "No space left on device", str(filled))

    monkeypatch.setattr("pipeline.store.status.status", fails)
    assert_one_line(canalwise("status", "--store", filled), f"{filled}: No space left on device. Is the disk full")


# --- what commands print ---------------------------------------------------------------------------------------------


def test_init_writes_settings_that_can_be_read_and_never_over_others(canalwise: Run, store: Path, small: Path) -> None:
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


# --- quarantine ------------------------------------------------------------------------------------------------------


@pytest.fixture
def refused(store: Path, canalwise: Run, export: Run, sound: Run) -> Path:
    """A store with three refused rows, one of them with what a spreadsheet would run."""
    visits = [sound("visits", visit_id="=cmd|' /C calc'!A0", left_at="soon", booked_minutes="-60", chair="@A")]
    visits += [sound("visits", visit_id="V2", reason="none of these")]
    canals = [sound("canals", working_length_mm="205", filling_extent_mm="-0,5")]
    canalwise("ingest", export("visits.csv", visits), export("canals.csv", canals), "--store", store)
    return store


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


def test_quarantine_filters(refused: Path, canalwise: Run) -> None:
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


def test_quarantine_export_is_text_that_no_spreadsheet_runs(refused: Path, canalwise: Run, tmp_path: Path) -> None:
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
    assert_one_line(ran, "cannot be written (No such file or directory)")


# --- terminals and pipes ---------------------------------------------------------------------------------------------


def test_piped_output_holds_no_escape_codes(filled: Path, tmp_path: Path) -> None:
    for arguments in (["--help"], ["status", "--store", filled], ["measures"], ["nonsense"]):
        for environment in ({}, {"NO_COLOR": "1"}, {"TERM": "xterm-256color"}):
            done = fresh(*arguments, **environment)
            assert done.stdout + done.stderr
            assert ESCAPE not in done.stdout + done.stderr


def test_a_long_table_is_not_cut_in_a_pipe(refused: Path) -> None:
    done = fresh("quarantine", "--store", refused, COLUMNS="40")
    assert "left_at: soon is not a date and time written as %Y-%m-%d %H:%M:%S." in done.stdout


def test_a_reader_that_goes_away_gets_no_traceback(filled: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "status", "--store", str(filled)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == ""


def test_the_store_may_be_named_in_the_environment(filled: Path) -> None:
    done = fresh("status", "--json", CANALWISE_STORE=str(filled))
    assert done.returncode == 0
    assert json.loads(done.stdout)["kinds"]["visits"]["records"] == 102


def test_an_answer_that_names_nobody_is_told_where_it_would_be_used(
    filled: Path, canalwise: Run, tmp_path: Path
) -> None:
    settings = tmp_path / "own.toml"
    settings.write_text(
        '[[answer]]\nmeasure = "healed_share"\ngroup = "dentist"\nvalue = "Nobody"\non = 2024-01-01\nnote = "x"\n'
    )
    asked = ("measure", "healed_share", "--process", "--by", "dentist", "--store", filled, "--settings", settings)
    for more in ((), ("--json",)):
        ran = canalwise(*asked, *more)
        assert ran.code == 0
        assert "names dentist “Nobody”, which no record has" in ran.err
        assert "D1" in ran.err
    ran = canalwise("report", "incidents", "--store", filled, "--settings", settings, "--out", tmp_path / "pages")
    assert "names dentist “Nobody”, which no record has" in ran.err


def test_adherence_says_what_to_write_where_the_catalogue_is_empty(filled: Path, canalwise: Run) -> None:
    ran = canalwise("measure", "adherence", "--store", filled)
    assert "Nothing to show" not in ran.out
    assert "[[sequence]]" in ran.out
    assert "left out: " in ran.out
