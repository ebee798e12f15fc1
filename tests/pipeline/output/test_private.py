"""Files are written whole or not at all, and only their owner can read them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.output.private import folder, write, write_for_user
from pipeline.output.rows import check_format, write_rows

ROWS = [{"dentist": "=D1", "value": 0.5, "n": 3, "day": None}, {"dentist": "D2", "value": None, "n": 4}]


def test_a_file_is_the_owners_also_where_one_lay_open(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    path.chmod(0o644)
    assert write(path, "new") == path
    assert path.read_text() == "new" and path.stat().st_mode & 0o777 == 0o600


def test_a_failure_leaves_what_was_there_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")

    begun: list[Path] = []

    def full(handle: int) -> None:
        begun.extend(set(tmp_path.iterdir()) - {path})
        assert begun[0].stat().st_mode & 0o777 == 0o600
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UserError, match="No space left"):
        write_for_user(path, "new")
    assert path.read_text() == "old" and [p.name for p in tmp_path.iterdir()] == ["a.txt"]
    # It lay beside what it was to replace: elsewhere may be another disk, or open to others.
    (one,) = begun
    assert one.name.startswith(".writing-") and one.suffix == ".txt"


def test_a_failure_is_told_also_where_what_was_begun_is_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(self: Path, to: Path) -> None:
        self.unlink()
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "replace", gone)
    with pytest.raises(UserError, match="Input/output error"):
        write_for_user(tmp_path / "a.txt", "new")


def test_what_cannot_be_written_is_said(tmp_path: Path) -> None:
    with pytest.raises(UserError) as no:
        write_for_user(tmp_path / "no" / "a.txt", "x")
    assert str(no.value) == f"{tmp_path / 'no'}: the folder does not exist. Make it first."
    with pytest.raises(UserError) as folder_there:
        write_for_user(tmp_path, "x")
    assert str(folder_there.value) == f"{tmp_path}: is a folder. Give the name of a file."
    with pytest.raises(UserError, match="format"):
        check_format(tmp_path / "a.doc")


def test_a_new_folder_is_the_owners_and_an_old_one_keeps_its_rights(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    assert folder(tmp_path / "a" / "b").stat().st_mode & 0o777 == 0o700
    assert tmp_path.stat().st_mode & 0o777 == 0o755


def test_a_new_folder_is_the_owners_from_its_first_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Path, "chmod", lambda *_: None)  # the moment before it
    os.umask(0)
    assert folder(tmp_path / "a" / "b").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o700


def test_a_folder_that_another_process_makes_meanwhile_will_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a").mkdir()
    exists = Path.exists
    monkeypatch.setattr(Path, "exists", lambda path: path.name != "a" and exists(path))
    assert folder(tmp_path / "a") == tmp_path / "a"


@pytest.mark.parametrize("ending", [".csv", ".xlsx", ".json", ".parquet"])
def test_rows_come_back_from_every_format(ending: str, tmp_path: Path) -> None:
    import polars as pl

    path = tmp_path / f"out{ending}"
    path.touch(0o644)
    write_rows(ROWS, path, title="healed share by a very long name indeed", whole={"rows": ROWS})
    assert path.stat().st_mode & 0o777 == 0o600
    if ending == ".json":
        import json

        assert json.loads(path.read_text())["rows"] == ROWS
        return
    read = {".csv": pl.read_csv, ".xlsx": pl.read_excel, ".parquet": pl.read_parquet}[ending]
    found = read(path)
    assert found["value"].to_list() == [0.5, None] and found["n"].to_list() == [3, 4]
    assert found["dentist"].to_list() == [{".csv": "'=D1"}.get(ending, "=D1"), "D2"]


def test_no_rows_are_a_file_too(tmp_path: Path) -> None:
    for ending in (".csv", ".xlsx", ".parquet", ".json"):
        write_rows([], tmp_path / f"out{ending}", title="t")
    assert (tmp_path / "out.csv").read_text() == "n\n" or (tmp_path / "out.csv").read_bytes() == b"n\r\n"
