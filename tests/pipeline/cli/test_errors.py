"""Whatever goes wrong is one line and no traceback."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]


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
def test_wrong_usage_is_one_line(canalwise: Run, arguments: list[str], says: str, assert_one_line: Run) -> None:
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
    filled: Path, small: Path, canalwise: Run, tmp_path: Path, name: str, assert_one_line: Run
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


def test_a_wrong_path_kind_or_column_is_one_line(
    store: Path, small: Path, canalwise: Run, tmp_path: Path, assert_one_line: Run
) -> None:
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
    filled: Path, small: Path, canalwise: Run, tmp_path: Path, what: str, command: str, assert_one_line: Run
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
    filled: Path, small: Path, canalwise: Run, tmp_path: Path, assert_one_line: Run
) -> None:
    path = tmp_path / "settings.toml"
    path.write_bytes(b'practice = "M\xfcller"\n')
    ask = ["ingest", small, "--store", filled, "--settings"]
    assert_one_line(canalwise(*ask, path), "the settings file is not UTF-8 text (byte 13)")
    assert_one_line(canalwise(*ask, tmp_path), "the settings file cannot be read (Is a directory)")


@pytest.mark.parametrize("command", ["ingest", "status", "check", "quarantine", "measure", "report"])
def test_what_is_no_store_is_one_line_and_stays_as_it_is(
    small: Path, canalwise: Run, tmp_path: Path, command: str, assert_one_line: Run
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


def test_a_store_that_another_process_holds_is_one_line(
    filled: Path, small: Path, canalwise: Run, assert_one_line: Run
) -> None:
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


def test_a_group_that_a_measure_does_not_know_is_one_line(filled: Path, canalwise: Run, assert_one_line: Run) -> None:
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
    assert "a fault of the program (ValueError in test_errors.py, line" in ran.err
    assert "Annegret" not in ran.err
    monkeypatch.setenv("CANALWISE_TRACEBACK", "1")
    with pytest.raises(ValueError, match="Annegret"):
        canalwise("status", "--store", filled)


def test_a_full_disk_is_the_users_to_mend(
    filled: Path, canalwise: Run, monkeypatch: pytest.MonkeyPatch, assert_one_line: Run
) -> None:
    def fails(*arguments: object, **named: object) -> None:
        raise OSError(28, "No space left on device", str(filled))

    monkeypatch.setattr("pipeline.store.status.status", fails)
    assert_one_line(canalwise("status", "--store", filled), f"{filled}: No space left on device. Is the disk full")
