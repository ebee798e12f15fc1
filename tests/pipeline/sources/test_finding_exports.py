"""Which files a path on the command line stands for."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.sources.read import expand


def test_a_folder_stands_for_the_exports_in_it_by_name(tmp_path: Path) -> None:
    for name in ("b.csv", "a.XLSX", "deep/c.tsv", "notes.pdf", "deep/d.txt"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.touch()
    found = expand([tmp_path])
    assert [p.relative_to(tmp_path).as_posix() for p in found] == ["a.XLSX", "b.csv", "deep/c.tsv", "deep/d.txt"]


def test_lock_files_and_hidden_files_are_no_exports(tmp_path: Path) -> None:
    """Spreadsheet programs leave such files beside an open workbook; they cannot be read and are nobody's export."""
    for name in ("~$recalls.xlsx", ".~lock.visits.csv#", "._visits.csv", ".hidden.csv", "visits.csv"):
        (tmp_path / name).touch()
    (tmp_path / ".trash").mkdir()
    (tmp_path / ".trash" / "old.csv").touch()
    assert [p.name for p in expand([tmp_path])] == ["visits.csv"]


def test_a_file_is_taken_whatever_it_is_called_and_once(tmp_path: Path) -> None:
    path = tmp_path / "export.dat"
    path.touch()
    assert expand([path, path]) == [path]


def test_a_path_that_is_not_there_and_a_folder_without_exports(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no such file or folder"):
        expand([tmp_path / "missing.csv"])
    with pytest.raises(UserError, match=r"no \.csv or \.xlsx files"):
        expand([tmp_path])
