"""What the last import corrected, counted against a list of changes made by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.importing.ingest import ingest, undo
from pipeline.measures.run import Workspace
from pipeline.settings import Settings
from pipeline.store.database import open_store

Sound = Callable[..., dict[str, str | None]]
Exports = Callable[..., Path]
OWN = Settings(time_zone="Europe/Vienna")


def load(store: Path, *files: Path, day: str | None = None) -> None:
    """Import files, on a day if one is given."""
    list(ingest(store, list(files), OWN))
    if day:
        with open_store(store, write=True) as connection:
            connection.execute("update batches set loaded_at = ? where loaded_at > timestamp '2026-09-01'", [day])


def listed(store: Path, known: dt.datetime | None = None) -> list[tuple[Any, ...]]:
    with open_store(store) as connection:
        result = Workspace(connection, OWN, known=known).compute("corrections")
    columns = ("record_kind", "source_file", "changed_column", "records_changed", "records_replaced")
    return [tuple(row[c] for c in columns) for row in result.rows]


def test_columns_that_the_last_import_changed(sound: Sound, export: Exports, store: Path) -> None:
    def treatments(*changes: dict[str, str | None]) -> list[dict[str, str | None]]:
        return [
            sound("treatments", treatment_id=f"T{n}", **({"restoration": None} | change))
            for n, change in enumerate(changes, start=1)
        ]

    first = export("treatments.csv", treatments({}, {}, {}, {"restoration": "crown"}))
    canals = [sound("canals", canal=c, sequence=None, filling_voids=None) for c in ("MB", "ML", "D")]
    load(store, first, export("canals.csv", canals), day="2026-03-02 08:00")
    assert listed(store) == []
    mended = treatments(
        {"completed_on": "2024-03-12", "restoration": "crown"},  # changed, and filled in
        {"patient_id": "P-1"},
        {},
        {"restoration": None},  # emptied
        {},  # new
    )
    filled_in = [canal | {"sequence": "rotation-three"} for canal in canals]
    load(store, export("treatments.csv", mended), export("canals-2.csv", filled_in), day="2026-03-20 08:00")
    expected = [
        ("canals", "canals-2.csv", "sequence", 3, 3),
        ("treatments", "treatments.csv", "restoration", 2, 3),
        ("treatments", "treatments.csv", "completed_on", 1, 3),
        ("treatments", "treatments.csv", "patient_id", 1, 3),
    ]
    assert listed(store) == expected
    with open_store(store) as connection:
        rows = Workspace(connection, OWN).compute("corrections").rows
        assert {row["imported_on"] for row in rows} == {dt.date(2026, 3, 20)}
        # Neither the list nor what it is made of tells a value of a record, but for its id.
        held = str(rows) + str(connection.execute("select * from record_changes").fetchall())
        patients = [p for (p,) in connection.execute("select patient_id from treatments").fetchall()]
        assert not any(value in held for value in (*patients, "P-1", "crown", "2024-03-12"))
    # A later import that corrects nothing is the last one all the same.
    load(store, export("contacts.csv", [sound("contacts")]), day="2026-04-01 08:00")
    assert listed(store) == []
    assert listed(store, known=dt.datetime(2026, 3, 31, tzinfo=dt.UTC)) == expected
    # One that says what is known already is none.
    undo(store, 5)
    load(store, export("canals-3.csv", filled_in))
    assert listed(store) == expected


def test_a_record_replaced_twice_on_a_day_counts_once_a_file(sound: Sound, export: Exports, store: Path) -> None:
    for number, score in enumerate(("1", "2", "3"), start=1):
        name = "contacts.csv" if number > 1 else "earlier.csv"
        load(store, export(name, [sound("contacts", pain_score=score)]), day=f"2026-03-0{min(number, 2)} 0{number}:00")
    assert listed(store) == [("contacts", "contacts.csv", "pain_score", 1, 1)]


def test_what_was_undone_is_no_correction(sound: Sound, export: Exports, store: Path) -> None:
    for number, score in enumerate(("1", "2", "1"), start=1):
        rows = [sound("contacts", pain_score=score)]
        load(store, export(f"contacts-{number}.csv", [*rows, sound("contacts", contact_id=f"N{number}")]))
    # Batch 3 replaced what 2 had said; without 2 it says nothing else than 1.
    assert ("contacts", "contacts-3.csv", "pain_score", 1, 1) in listed(store)
    undo(store, 2)
    assert listed(store) == []


def test_practices_of_one_store_are_told_apart(sound: Sound, export: Exports, store: Path) -> None:
    for score in ("1", "2"):
        file = export("contacts.csv", [sound("contacts", pain_score=score)])
        for practice in ("north", "south"):
            list(ingest(store, [file], Settings(practice=practice, practice_id=practice)))
    with open_store(store) as connection:
        (row,) = Workspace(connection, Settings()).compute("corrections").rows
    assert (row["records_changed"], row["records_replaced"]) == (2, 2)


def test_a_version_is_held_against_the_one_that_took_its_place(sound: Sound, export: Exports, store: Path) -> None:
    """Not against any other version of the record: the second import changed the score, the third did not."""
    for day, (score, swelling) in enumerate((("1", "no"), ("2", "no"), ("2", "yes")), start=1):
        file = export(f"contacts-{day}.csv", [sound("contacts", pain_score=score, swelling=swelling)])
        load(store, file, day=f"2026-03-0{day} 08:00")
    assert listed(store) == [("contacts", "contacts-3.csv", "swelling", 1, 1)]
    earlier = dt.datetime(2026, 3, 3, tzinfo=dt.UTC)
    assert listed(store, known=earlier) == [("contacts", "contacts-2.csv", "pain_score", 1, 1)]
