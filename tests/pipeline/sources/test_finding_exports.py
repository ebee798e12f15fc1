"""Which files a path on the command line stands for."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.sources.read import expand, find, read
from pipeline.sources.table import Dialect


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


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("visits-1.csv", "visits-2.csv", ".visits-3.csv", "visits.pdf", "canals.xlsx", "old/visits-0.csv"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.touch()
    return tmp_path


@pytest.mark.parametrize(
    ("pattern", "names"),
    [
        ("visits*.csv", ["visits-1.csv", "visits-2.csv"]),
        ("visits-[2-9].csv", ["visits-2.csv"]),
        ("visits-?.csv", ["visits-1.csv", "visits-2.csv"]),
        ("visits*", ["visits-1.csv", "visits-2.csv"]),  # the exports among what it matches
        ("*.pdf", ["visits.pdf"]),  # nothing but that can be meant
        ("**/visits-*.csv", ["old/visits-0.csv", "visits-1.csv", "visits-2.csv"]),
        ("*", ["canals.xlsx", "visits-1.csv", "visits-2.csv", "old/visits-0.csv"]),  # a folder is what is in it
    ],
)
def test_a_glob_stands_for_what_it_matches(
    folder: Path, pattern: str, names: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert [p.relative_to(folder).as_posix() for p in expand([folder / pattern])] == names
    monkeypatch.chdir(folder)
    assert [str(p) for p in expand([Path(pattern)])] == names


def test_a_glob_without_a_match_and_a_name_that_looks_like_one(folder: Path) -> None:
    with pytest.raises(UserError, match="no export matches this pattern"):
        expand([folder / "x*.csv"])
    odd = folder / "visits[1].csv"
    odd.touch()
    assert expand([odd]) == [odd]


@pytest.mark.parametrize("inner", ["june.zip", "visits.csv.gz"])
def test_an_archive_inside_an_archive_is_left_out(tmp_path: Path, inner: str) -> None:
    outer = tmp_path / "all.zip"
    with zipfile.ZipFile(outer, "w") as packed:
        packed.writestr("visits.csv", "a,b\n")
        packed.writestr(inner, b"PK\x05\x06" + bytes(18))
    found = find([outer])
    assert [file.name for file in found.files] == ["all.zip/visits.csv"]
    (left,) = found.left
    assert str(left.error).startswith(f"{outer}/{inner}: is an archive inside an archive")


def test_what_is_no_export_is_told_and_what_nobody_would_take_for_one_is_not(tmp_path: Path) -> None:
    for name in ("visits.csv", "scan.pdf", "old.XLS", "canalwise.toml", "canalwise.duckdb", "canalwise.key", ".x.pdf"):
        (tmp_path / name).touch()
    found = find([tmp_path])
    assert [file.name for file in found.files] == ["visits.csv"]
    assert {Path(one.file).name: one.error.do for one in found.left} == {
        "scan.pdf": "Export the list behind it as .csv or .xlsx",
        "old.XLS": "Save it as .xlsx",
    }


def test_two_files_of_one_name_in_an_archive_are_refused(tmp_path: Path) -> None:
    outer = tmp_path / "all.zip"
    with zipfile.ZipFile(outer, "w") as packed, pytest.warns(UserWarning, match="Duplicate name"):
        packed.writestr("visits.csv", "a,b\n1,2\n")
        packed.writestr("visits.csv", "a,b\n3,4\n")
    with pytest.raises(UserError, match=r"holds visits\.csv twice"):
        expand([outer])


def test_an_archive_that_is_gone(tmp_path: Path) -> None:
    path = tmp_path / "a.csv.gz"
    path.touch()
    (file,) = expand([path])
    path.unlink()
    with pytest.raises(UserError, match="no such file"):
        read(file, Dialect())
