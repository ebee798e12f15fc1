"""Undo: a batch taken out leaves the store as if its file had never been imported."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import UserError
from pipeline.importing.ingest import ingest, undo
from pipeline.settings import Settings
from pipeline.store.database import open_store
from pipeline.store.status import superseded

Sound = Callable[..., dict[str, str | None]]
Exports = Callable[..., Path]


def load(store: Path, *files: Path) -> None:
    for file in files:
        list(ingest(store, [file], Settings(practice="here")))


def content(store: Path) -> dict[str, list[Any]]:
    """Records, history and refusals by what they say, not by the numbers of batches."""
    with open_store(store) as connection:
        return {
            table: connection.execute(f"select {columns} from {table} order by all").fetchall()
            for table, columns in {
                "contacts": "* exclude (loaded_at, batch_id)",
                "contacts_history": "* exclude (loaded_at, batch_id, replaced_by, replaced_at)",
                "quarantine": "* exclude (batch_id)",
                "flags": "* exclude (batch_id)",
            }.items()
        }


@pytest.fixture
def versions(sound: Sound, export: Exports) -> list[Path]:
    """Three exports of the same contacts: each changes one, keeps one and adds one; the second also has a bad row."""

    def rows(number: int) -> list[dict[str, str | None]]:
        changing = sound("contacts", contact_id="C0", pain_score=str(number))
        kept = sound("contacts", contact_id="C1")
        added = sound("contacts", contact_id=f"new {number}")
        bad = [sound("contacts", contact_id="bad", contacted_at="2099-01-01 09:00")] if number == 2 else []
        return [changing, kept, added, *bad]

    return [export(f"contacts-{number}.csv", rows(number)) for number in (1, 2, 3)]


@pytest.mark.parametrize("out", [1, 2, 3])
def test_undo_and_reading_again_is_as_if_it_had_never_been(out: int, versions: list[Path], tmp_path: Path) -> None:
    store, never = tmp_path / "a.duckdb", tmp_path / "b.duckdb"
    others = [file for number, file in enumerate(versions, start=1) if number != out]
    load(store, *versions)
    again = undo(store, out)
    load(never, *others)
    # What was unchanged because of the batch that is out comes back when those files are read again, and only then.
    load(store, *(file for file in others if file.name in again))
    assert content(store)["contacts"] == content(never)["contacts"]
    assert content(store)["quarantine"] == content(never)["quarantine"]


def test_undo_of_the_last_import_restores_the_store_to_the_letter(versions: list[Path], tmp_path: Path) -> None:
    store = tmp_path / "a.duckdb"
    load(store, *versions[:2])
    before = content(store)
    load(store, versions[2])
    assert content(store) != before
    assert undo(store, 3) == []
    assert content(store) == before


def test_every_order_of_taking_all_out_leaves_nothing(versions: list[Path], tmp_path: Path) -> None:
    for number, order in enumerate(itertools.permutations((1, 2, 3))):
        store = tmp_path / f"{number}.duckdb"
        load(store, *versions)
        for batch in order:
            undo(store, batch)
        assert not any(content(store).values()), order


@pytest.mark.parametrize("wrong", [{"contacted_at": "2099-01-01 09:00"}, {"pain_score": "11"}], ids=["row", "cell"])
def test_a_settled_refusal_is_told_again_after_undo(
    wrong: dict[str, str], sound: Sound, export: Exports, tmp_path: Path
) -> None:
    store = tmp_path / "a.duckdb"
    bad = export("bad.csv", [sound("contacts", **wrong)])
    load(store, bad, export("mended.csv", [sound("contacts", pain_score="1")]))
    assert content(store)["quarantine"] == []
    assert undo(store, 2) == ["bad.csv"]
    load(store, bad)
    assert len(content(store)["quarantine"]) == 1


def test_a_batch_that_is_not_there(versions: list[Path], tmp_path: Path) -> None:
    store = tmp_path / "a.duckdb"
    load(store, versions[0])
    before = content(store)
    with pytest.raises(UserError, match=r"there is no batch 7\. The batches are 1"):
        undo(store, 7)
    with pytest.raises(UserError, match="there is no store"):
        undo(tmp_path / "none.duckdb", 1)
    assert content(store) == before


def test_superseded_records_are_listed(versions: list[Path], tmp_path: Path) -> None:
    store = tmp_path / "a.duckdb"
    load(store, *versions)
    with open_store(store) as connection:
        listed = superseded(connection, "contacts")
        with pytest.raises(UserError, match="there is no record kind teeth"):
            superseded(connection, "teeth")
    assert [(r["contact_id"], r["pain_score"], r["file"], r["replaced_by_file"]) for r in listed] == [
        ("C0", 1.0, "contacts-1.csv", "contacts-2.csv"),
        ("C0", 2.0, "contacts-2.csv", "contacts-3.csv"),
    ]


def test_the_command_line(canalwise: Callable[..., Any], versions: list[Path]) -> None:
    assert canalwise("ingest", versions[0]).code == 0
    assert canalwise("ingest", versions[1]).code == 1
    assert canalwise("status", "--history", "contacts", "--json").json["superseded"][0]["pain_score"] == 1
    done = canalwise("ingest", "--undo", 2, "--json")
    assert (done.code, done.json["undone"], done.json["import_again"]) == (0, 2, [])
    assert canalwise("status", "--json").json["kinds"]["contacts"]["records"] == 3
    for wrong in (("ingest",), ("ingest", versions[0], "--undo", 1), ("ingest", "--undo", 9)):
        assert canalwise(*wrong).code == 2
