"""Opening the store: whose it is, what is no store, who else holds it, and what never leaves the machine."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import UserError
from pipeline.records import KINDS
from pipeline.store import schema
from pipeline.store.database import in_memory, open_store
from pipeline.store.status import status


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_a_new_store_is_its_owners_alone(store: Path) -> None:
    with open_store(store, write=True) as connection:
        connection.execute("insert into store_version values (1)")
        beside = list(store.parent.iterdir())
        assert len(beside) > 1, "DuckDB keeps a write-ahead log while the store is open"
        assert [mode(path) for path in beside] == [0o600] * len(beside)
    assert mode(store) == 0o600
    assert list(store.parent.iterdir()) == [store]


def test_reading_does_not_make_a_store_nor_change_one(store: Path) -> None:
    with pytest.raises(UserError, match="there is no store here"), open_store(store):
        pass
    assert not store.exists()
    with open_store(store, write=True):
        pass
    before = store.read_bytes()
    with open_store(store) as connection, pytest.raises(duckdb.InvalidInputException):
        connection.execute("delete from batches")
    assert store.read_bytes() == before


def database(path: Path) -> None:
    with duckdb.connect(str(path)) as connection:
        connection.execute("create table other (x int)")


def older(path: Path) -> None:
    with open_store(path, write=True) as connection:
        connection.execute("update store_version set version = 0")


@pytest.mark.parametrize("write", [False, True])
@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda path: path.write_text("a,b\n" * 2000), "is not a store (not a DuckDB database)"),
        (lambda path: path.write_text("short"), "is not a store (not a DuckDB database)"),
        (lambda path: path.touch(), "is not a store (not a DuckDB database)"),
        (database, "is a database, but not a store of canalwise"),
        (older, f"was written by another version of canalwise (layout 0, this one reads {schema.VERSION})"),
        (Path.mkdir, "is a folder, not a store"),
    ],
)
def test_what_is_no_store_is_one_line_and_stays_as_it_is(store: Path, make: object, says: str, write: bool) -> None:
    assert callable(make)
    path = store.with_name("block.duckdb")  # the word "lock" in a name is not a lock
    make(path)
    before = path.read_bytes() if path.is_file() else None
    with pytest.raises(UserError) as caught, open_store(path, write=write):
        pass
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)
    if before is not None:
        assert path.read_bytes() == before


def test_a_store_in_a_folder_that_is_not_there(store: Path) -> None:
    with (
        pytest.raises(UserError, match="the folder of the store does not exist"),
        open_store(store.parent / "none" / "x.duckdb", write=True),
    ):
        pass


HOLD = """
import sys
from pathlib import Path
from pipeline.store.database import open_store
with open_store(Path(sys.argv[1]), write=True):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_store_that_another_process_holds_is_one_line_and_its_spilled_data_are_left_alone(store: Path) -> None:
    with open_store(store, write=True):
        pass
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        spilled = store.with_name(store.name + ".tmp")
        spilled.mkdir()
        for write in (False, True):
            with pytest.raises(UserError, match="another program holds the store open"), open_store(store, write=write):
                pass
        assert spilled.is_dir()
        other.communicate("")
    with open_store(store, write=True):
        pass
    assert not spilled.exists()


def test_what_a_killed_run_spilled_is_removed(store: Path) -> None:
    spilled = store.with_name(store.name + ".tmp")
    spilled.mkdir()
    (spilled / "duckdb_temp_storage.tmp").write_text("records")
    with open_store(store, write=True):
        pass
    assert not spilled.exists()


def test_the_store_never_reaches_for_the_network() -> None:
    with in_memory() as connection:
        wanted = ("autoinstall_known_extensions", "autoload_known_extensions", "allow_community_extensions")
        found = dict(connection.execute("select name, value from duckdb_settings()").fetchall())
        assert [found[name] for name in wanted] == ["false"] * 3
        with pytest.raises(duckdb.Error):
            connection.execute("select * from 'https://example.invalid/x.csv'")


def test_the_umask_is_tight_while_a_store_is_open(store: Path) -> None:
    with open_store(store, write=True):
        current = os.umask(0o077)
    assert current == 0o077


def test_status_counts_what_is_there(store: Path) -> None:
    with open_store(store, write=True) as connection:
        assert status(connection)["batches"] == []
        connection.execute(
            "insert into visits (visit_id, seated_at, chair) values ('V1', '2024-03-04 09:00', null), "
            "('V2', '2025-01-02 10:00', 'A')"
        )
        connection.execute("insert into quarantine (kind) values ('visits')")
        kinds = status(connection)["kinds"]
    assert set(kinds) == set(KINDS)
    visits = kinds["visits"]
    assert (visits["records"], visits["quarantined"]) == (2, 1)
    assert (str(visits["first"]), str(visits["last"])) == ("2024-03-04", "2025-01-02")
    assert kinds["canals"]["records"] == 0
    assert kinds["canals"]["first"] is None
