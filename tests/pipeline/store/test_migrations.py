"""Stores of every layout from 2 on open: brought to the present one, whole or not at all, with a copy beside them."""

from __future__ import annotations

import stat
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.errors import UserError
from pipeline.importing.ingest import undo
from pipeline.importing.quarantine import counted, retry
from pipeline.records import KINDS, Column
from pipeline.store import migrations, schema
from pipeline.store.database import in_memory, open_store
from pipeline.store.pseudonyms import load_key

LAYOUTS = {int(path.stem.removeprefix("layout-")): path for path in Path(__file__).with_name("data").glob("*.sql")}
_IN_5 = {"value_verdicts"}
_IN_4 = {"settings_given", "due", "store_key", "store_state", *_IN_5}
GAINED = {2: {"cells", *_IN_4}, 3: _IN_4, 4: _IN_5}  # tables since then


@pytest.fixture
def old(store: Path) -> Path:
    """A store as the program wrote it before layout 3; two of its records replaced an older one, four were refused."""
    load_key(store)
    return written(store, 2)


def written(store: Path, layout: int) -> Path:
    """A store as the program of that layout wrote it (data/)."""
    with duckdb.connect(str(store)) as connection:
        for line in LAYOUTS[layout].read_text(encoding="utf-8").splitlines():
            connection.execute(line)
    return store


def tables(connection: Any) -> dict[str, Any]:
    names = [name for (name,) in connection.execute("select table_name from duckdb_tables()").fetchall()]
    return {name: connection.execute(f"from {name} order by all").fetchall() for name in names}


def filled(of: dict[str, Any]) -> dict[str, Any]:
    """Without what is empty: a column that a kind has gained since."""
    return {name: [[cell for cell in row if cell is not None] for row in rows] for name, rows in of.items()}


@pytest.mark.parametrize("write", [False, True])
def test_an_older_store_is_brought_to_this_layout_and_a_copy_stays(old: Path, write: bool) -> None:
    with duckdb.connect(str(old), read_only=True) as connection:
        before = tables(connection)
    was = old.read_bytes()
    with open_store(old, write=write) as connection:
        after = tables(connection)
        assert connection.execute("from store_version").fetchall() == [(schema.VERSION,)]
        assert counted(connection) == (4, 0)
    assert after.pop("due") == [("flags",)], "whether its last run was cut off, nothing tells"
    assert all(after.pop(name) == [] for name in ("cells", "settings_given", "store_key", "value_verdicts")), (
        "nothing of it is known"
    )
    assert len(after.pop("store_state")) == 1
    assert [row[:-1] for row in after.pop("quarantine")] == before.pop("quarantine")
    del before["store_version"], after["store_version"]
    assert filled(after) == filled(before)
    copy = old.with_name(f"{old.name}.layout-2")
    assert copy.read_bytes() == was
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    with open_store(old, write=write) as connection:  # and then it is a store like any other
        assert counted(connection) == (4, 0)


def test_its_tables_are_those_of_a_new_store(old: Path) -> None:
    layout = (
        "select table_name, column_name, data_type, column_default from duckdb_columns() where schema_name = 'main'"
    )
    with in_memory() as new:
        expected = set(new.execute(layout).fetchall())
    with open_store(old) as connection:
        assert set(connection.execute(layout).fetchall()) == expected


def test_what_it_refused_for_a_cell_is_taken_in_when_read_again(old: Path) -> None:
    with open_store(old, write=True) as connection:
        done = list(retry(connection, load_key(old)))
        assert [(d.counts.read, d.counts.loaded, d.counts.quarantined, d.counts.blanked) for d in done] == [
            (3, 2, 1, 1),  # a PAI of 9 is left empty, "Crown" is crown, tooth 99 is none
            (1, 1, 0, 1),
        ]
        assert counted(connection) == (1, 2)
        found = connection.execute("select treatment_id, preop_pai, restoration from treatments order by 1").fetchall()
        assert found == [("T1", 4, "crown"), ("T2", None, "crown"), ("T4", 2, "crown")]
    undo(old, 3)  # what it had replaced is back
    with open_store(old) as connection:
        assert connection.execute("select left_at from visits where visit_id = 'V1'").fetchall()[0][0].minute == 0


def test_a_step_that_fails_leaves_the_store_as_it_was(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = migrations._STEPS | {3: (*migrations._STEPS[3], "create table cells (again integer)")}
    monkeypatch.setattr(migrations, "_STEPS", steps)
    with pytest.raises(duckdb.Error), open_store(old):
        pass
    with duckdb.connect(str(old), read_only=True) as connection:
        assert connection.execute("from store_version").fetchall() == [(2,)]
        assert "cells" not in tables(connection)
    monkeypatch.undo()
    with open_store(old) as connection:
        assert counted(connection) == (4, 0)


def columns(connection: Any) -> set[tuple[str, ...]]:
    sql = "select table_name, column_name, data_type, column_default from duckdb_columns() where schema_name = 'main'"
    return set(connection.execute(sql).fetchall())


@pytest.mark.parametrize("layout", sorted(LAYOUTS))
def test_a_store_of_every_layout_opens_with_all_that_it_held(layout: int, store: Path) -> None:
    written(store, layout)
    with duckdb.connect(str(store), read_only=True) as connection:
        before = tables(connection)
    with open_store(store) as connection:
        after = tables(connection)
        with in_memory() as new:
            assert columns(connection) == columns(new)
    assert set(after) == set(before) | GAINED.get(layout, set())
    for kind in KINDS:
        for name in (kind, f"{kind}_history"):
            assert filled({name: after[name]}) == filled({name: before[name]})
    assert store.with_name(f"{store.name}.layout-{layout}").exists() is (layout != schema.VERSION)


def test_the_present_layout_is_the_one_of_its_number() -> None:
    """Stores are opened by the number of their layout, so a layout that changes is another number.

    Columns that a record kind has gained since need none; everything else does.
    """
    with duckdb.connect() as kept, in_memory() as new:
        for line in LAYOUTS[schema.VERSION].read_text(encoding="utf-8").splitlines():
            kept.execute(line)
        records = {name for kind in KINDS.values() for name in schema.record_tables(kind)}
        was, now = columns(kept), columns(new)
    do = "raise VERSION in store/schema.py, write the step in migrations.py, and keep data/layout-N.sql (dump.py)"
    assert was <= now, f"{sorted(was - now, key=str)} changed: {do}"
    assert {column for column in now - was if column[0] not in records} == set(), do


def test_a_copy_that_reads_otherwise_is_none(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def torn(file: Any, out: Any) -> None:
        out.write(file.read()[:-1] + b"?")

    monkeypatch.setattr(migrations.shutil, "copyfileobj", torn)
    with pytest.raises(UserError, match="what was written reads otherwise"), open_store(old):
        pass
    with duckdb.connect(str(old), read_only=True) as connection:
        assert connection.execute("from store_version").fetchall() == [(2,)]


def test_without_a_copy_nothing_is_changed(old: Path) -> None:
    old.with_name(f"{old.name}.layout-2.part").mkdir()
    with pytest.raises(UserError, match="older layout, and no copy of it can be made"), open_store(old):
        pass
    with duckdb.connect(str(old)) as connection:
        assert connection.execute("from store_version").fetchall() == [(2,)]


@pytest.mark.parametrize("write", [False, True])
def test_a_column_that_a_kind_has_gained_needs_no_layout_of_its_own(
    write: bool, old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In its place, in the history too, and with nothing in it; what was superseded still goes to the history."""
    with open_store(old) as connection:
        before = tables(connection)
    visits = KINDS["visits"]
    at = visits.names.index("chair")
    longer = (*visits.columns[:at], Column("shade"), *visits.columns[at:])
    monkeypatch.setitem(KINDS, "visits", replace(visits, columns=longer))
    with open_store(old, write=write) as connection:
        after = tables(connection)
        of = [name for name, *_ in connection.execute("describe visits_history").fetchall()]
    assert of[at] == "shade" and of[-1] == "replaced_at"
    assert set(after) == set(before)
    for name in before.keys() - {"store_version", "store_state"}:
        was = [row[:at] + (None,) * name.startswith("visits") + row[at:] for row in before[name]]
        assert sorted(after[name], key=str) == sorted(was, key=str), name
    assert old.with_name(f"{old.name}.layout-{schema.VERSION}").exists()
    undo(old, 2)  # what had been superseded is back


def test_a_column_that_a_kind_has_lost_is_not_thrown_away(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_store(old):
        pass
    visits = KINDS["visits"]
    less = (*(c for c in visits.columns if c.name != "chair"), Column("shade"))
    monkeypatch.setitem(KINDS, "visits", replace(visits, columns=less))
    with pytest.raises(duckdb.Error, match="chair"), open_store(old):
        pass
    monkeypatch.undo()
    with open_store(old) as connection:
        assert connection.execute("select count(chair) from visits").fetchone() is not None


def test_the_command_line(old: Path, canalwise: Callable[..., Any]) -> None:
    assert canalwise("status", "--store", old, "--json").json["kinds"]["treatments"]["quarantined"] == 3
    assert canalwise("quarantine", "--store", old).code == 1
