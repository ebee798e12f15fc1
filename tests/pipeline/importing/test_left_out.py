"""One stray or broken file keeps nothing else out of the store: it is named, with what to do."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

STRAY = {
    "readme.txt": b"Exported by the front desk\nevery Monday\n",
    "one.json": b'{\n "visits": 12\n}',
    "scan.pdf": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n",
    "scan.csv": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n",
    "empty.csv": b"",
    "damaged.zip": b"PK\x03\x04 and no more",
    "damaged.xlsx": b"PK\x03\x04 and no more",
}


@pytest.fixture
def folder(tmp_path: Path, small: Path) -> Path:
    made = tmp_path / "exports"
    made.mkdir()
    for name in ("treatments.csv", "visits.csv", "canalwise.toml"):
        shutil.copy(small / name, made)
    for name, data in STRAY.items():
        (made / name).write_bytes(data)
    return made


def test_a_folder_is_imported_but_for_what_cannot_be(store: Path, folder: Path, canalwise: Callable[..., Any]) -> None:
    ran = canalwise("ingest", folder, "--store", store)
    assert ran.code == 1
    assert "treatments.csv" in ran.out
    assert "visits.csv" in ran.out
    lines = [line for line in ran.err.splitlines() if line.startswith("Left out: ")]
    assert sorted(line.split(": ")[1].partition(", ")[0] for line in lines) == sorted(
        str(folder / name) for name in STRAY
    ), "by name, and the practice's own settings are not among them"
    told = canalwise("ingest", folder, "--store", store, "--json")
    assert (told.code, {Path(one["file"]).name for one in told.json["left_out"]}) == (1, set(STRAY))
    assert all(one["reason"] and one["do"] for one in told.json["left_out"])
    assert {one["file"] for one in told.json["files"]} == {"treatments.csv", "visits.csv"}


def test_an_archive_is_imported_but_for_what_cannot_be(
    store: Path, folder: Path, canalwise: Callable[..., Any], tmp_path: Path
) -> None:
    archive = tmp_path / "june.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        for path in sorted(folder.iterdir()):
            packed.write(path, path.name)
    ran = canalwise("ingest", archive, "--store", store, "--json")
    assert ran.code == 1
    assert {one["file"] for one in ran.json["left_out"]} == {f"{archive}/{name}" for name in STRAY}
    assert {one["file"] for one in ran.json["files"]} == {"june.zip/treatments.csv", "june.zip/visits.csv"}


@pytest.mark.parametrize("name", STRAY)
def test_a_broken_file_that_was_named_keeps_the_others_in_and_alone_is_an_error(
    store: Path, folder: Path, canalwise: Callable[..., Any], name: str
) -> None:
    alone = canalwise("ingest", folder / name, "--store", store)
    assert (alone.code, alone.out) == (2, "")
    (line,) = [line for line in alone.err.splitlines() if line.startswith("canalwise: ")]
    assert str(folder / name) in line
    ran = canalwise("ingest", folder / name, folder / "treatments.csv", "--store", store)
    assert ran.code == 1
    assert f"Left out: {folder / name}" in ran.err
    assert "treatments.csv" in ran.out


def test_a_folder_of_other_formats_says_what_is_there_and_how_to_save_it(
    store: Path, tmp_path: Path, canalwise: Callable[..., Any]
) -> None:
    made = tmp_path / "exports"
    made.mkdir()
    for name in ("old.xls", "letter.docx", "list.pdf", "practice.mdb"):
        (made / name).write_bytes(b"x")
    for command in (("ingest", made, "--store", store), ("mapping", made)):
        ran = canalwise(*command)
        assert (ran.code, ran.out) == (2, "")
        said = ran.err.splitlines()[-1]
        for name, do in (("old.xls", "save it as .xlsx"), ("list.pdf", "export the list behind it as .csv or .xlsx")):
            assert f"{made / name} is " in said
            assert do in said
    assert not store.exists()


def test_a_draft_is_made_beside_stray_files(folder: Path, canalwise: Callable[..., Any]) -> None:
    ran = canalwise("mapping", folder)
    assert "[treatments.columns]" in ran.out
    assert "scan.pdf: is a PDF document" in ran.err


def test_what_turns_out_to_be_unclear_only_when_it_is_read_keeps_nothing_out_either(
    store: Path, tmp_path: Path, canalwise: Callable[..., Any]
) -> None:
    """Dates in a format that nobody declared: the whole file is told, and the next one imported."""
    mapping = tmp_path / "theirs.toml"
    mapping.write_text(
        "[contacts]\nfiles = 'c*'\n[contacts.columns]\n"
        "contact_id = 'No'\ntreatment_id = 'Case'\ncontacted_at = { from = 'At', format = 'iso' }\n"
        "[follow_ups]\nfiles = 'f*'\n[follow_ups.columns]\n"
        "follow_up_id = 'No'\ntreatment_id = 'Case'\nseen_on = 'At'\n[follow_ups.constants]\ntooth_present = 'yes'\n"
    )
    (tmp_path / "f.csv").write_text("No,Case,At\n1,T1,31.03.2024\n")
    (tmp_path / "c.csv").write_text("No,Case,At\n1,T1,2024-03-31 10:00\n")
    ran = canalwise("ingest", tmp_path / "f.csv", tmp_path / "c.csv", "--mapping", mapping, "--store", store)
    assert ran.code == 1
    assert "c.csv" in ran.out
    assert "Left out: " in ran.err
    assert "the mapping does not say how it is written" in ran.err
