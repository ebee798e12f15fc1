"""A store knows its key and its practices: neither a wrong key nor a corrected name makes new patients of old ones."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import UserError
from pipeline.importing.ingest import ingest
from pipeline.settings import Settings
from pipeline.store.database import open_store
from pipeline.store.identity import key_of
from pipeline.store.pseudonyms import key_path

TREATMENTS = """treatment_id,patient_id,tooth,dentist,kind,started_on,completed_on,status
T1,100234,36,D1,primary,2024-03-04,2024-03-11,completed
"""
LATER = TREATMENTS + "T2,100234,16,D1,primary,2024-04-04,2024-04-11,completed\n"


def put(folder: Path, text: str = TREATMENTS) -> Path:
    (folder / "treatments.csv").write_text(text, encoding="utf-8")
    return folder / "treatments.csv"


def load(store: Path, path: Path, **settings: Any) -> None:
    list(ingest(store, [path], Settings(**settings)))


def patients(store: Path) -> list[tuple[Any, ...]]:
    with open_store(store) as connection:
        return connection.execute("select practice, treatment_id, patient_id from treatments order by 2").fetchall()


def test_a_wrong_key_is_refused(store: Path, tmp_path: Path) -> None:
    """Seen before: the import went on, and the patient of T2 was another than that of T1."""
    load(store, put(tmp_path), practice="here")
    right = key_path(store).read_bytes()
    key_path(store).write_bytes(bytes(32))
    with pytest.raises(UserError, match="is not the key that this store's pseudonyms were made with") as e:
        load(store, put(tmp_path, LATER), practice="here")
    assert "Put the right key back" in str(e.value) and str(key_path(store)) in str(e.value)
    assert len(patients(store)) == 1
    key_path(store).write_bytes(right)
    load(store, put(tmp_path, LATER), practice="here")
    assert len({patient for *_, patient in patients(store)}) == 1


@pytest.mark.parametrize("command", [["check"], ["quarantine", "retry"]])
def test_every_command_that_makes_pseudonyms_asks(
    command: list[str], store: Path, tmp_path: Path, canalwise: Callable[..., Any]
) -> None:
    load(store, put(tmp_path), practice="here")
    key_path(store).write_bytes(bytes(32))
    done = canalwise(*command, "--store", store)
    assert done.code == 2 and "is not the key" in done.err


def test_the_store_holds_nothing_of_the_key(store: Path, tmp_path: Path) -> None:
    load(store, put(tmp_path), practice="here")
    key = key_path(store).read_bytes()
    with open_store(store, write=True) as connection:
        (kept,) = connection.execute("from store_key").fetchall()
        assert key_of(connection, store) == key
    assert key not in store.read_bytes() and key.hex() not in kept[0] and kept[0] not in key.hex()


def test_a_corrected_name_doubles_nothing(store: Path, tmp_path: Path) -> None:
    """Seen before: a corrected name doubled every record and changed every pseudonym."""
    load(store, put(tmp_path), practice="Lindenpark", practice_id="P1")
    before = patients(store)
    load(store, put(tmp_path, LATER), practice="Lindenpark Dental", practice_id="P1")
    after = patients(store)
    assert after[0] == before[0] and [row[:2] for row in after] == [("P1", "T1"), ("P1", "T2")]
    assert len({patient for *_, patient in after}) == 1


def test_a_name_that_changed_without_an_id_is_asked_about(store: Path, tmp_path: Path) -> None:
    load(store, put(tmp_path), practice="Lindenpark")
    with pytest.raises(UserError, match="the store holds records of practice Lindenpark, and the settings say") as e:
        load(store, put(tmp_path, LATER), practice="Lindenpark Dental")
    assert 'practice_id = "Lindenpark"' in str(e.value)
    assert len(patients(store)) == 1
    load(store, put(tmp_path, LATER), practice="Lindenpark Dental", practice_id="Lindenpark")
    assert [row[:2] for row in patients(store)] == [("Lindenpark", "T1"), ("Lindenpark", "T2")]


def test_an_id_that_came_later_stays_what_the_name_was(store: Path, tmp_path: Path) -> None:
    load(store, put(tmp_path), practice="Lindenpark")
    with pytest.raises(UserError, match="knows practice Lindenpark by that name") as e:
        load(store, put(tmp_path, LATER), practice="Lindenpark", practice_id="P1")
    assert 'Write practice_id = "Lindenpark"' in str(e.value)


def test_of_several_practices_none_is_suggested_alone(store: Path, tmp_path: Path) -> None:
    """To name one of them would put the records of one practice under another's keys."""
    load(store, put(tmp_path), practice="North", practice_id="P1")
    load(store, put(tmp_path), practice="South", practice_id="P2")
    with pytest.raises(UserError, match="holds records of practice P1, P2") as e:
        load(store, put(tmp_path, LATER), practice="South-West")
    assert 'practice_id = "P1" or practice_id = "P2"' in str(e.value)


def test_another_practice_has_an_id_of_its_own(store: Path, tmp_path: Path) -> None:
    load(store, put(tmp_path), practice="North", practice_id="P1")
    load(store, put(tmp_path), practice="South", practice_id="P2")
    assert [row[:2] for row in patients(store)] == [("P1", "T1"), ("P2", "T1")]
    assert len({patient for *_, patient in patients(store)}) == 2
