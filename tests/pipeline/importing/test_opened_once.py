"""A file is opened once: what is recognised, hashed and loaded of it are the same bytes, whatever becomes of it."""

from __future__ import annotations

import gzip
import hashlib
import json
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import xlsxwriter

from pipeline.errors import UserError
from pipeline.importing import ingest as ingest_module
from pipeline.importing.ingest import ingest
from pipeline.settings import Settings
from pipeline.sources import json_records, pool
from pipeline.sources.read import find, open_source
from pipeline.sources.table import Dialect
from pipeline.sources.unread import LeftOut
from pipeline.store.database import open_store
from tests.pipeline.sources.test_formats import FORMATS

HERE = Settings(practice="here")
Pack = Callable[[Path, bytes], Path]

# Imports a folder twice and tells, as JSON, how often each of its files was opened by Python, in whatever way, and how
# often its rows were read.
COUNTED = """
import json, sys
from collections import Counter
from pathlib import Path
folder, store = sys.argv[1:]
opened, parsed = Counter(), Counter()
def heard(event, args):
    if event == "open" and isinstance(args[0], (str, bytes)) and str(args[0]).startswith(folder):
        opened[Path(args[0]).name] += 1
    if event == "subprocess.Popen":
        opened["another process"] += 1
def counted(module, name):
    reader = getattr(module, name)
    def count(file, *how):
        parsed[file.name] += 1
        return reader(file, *how)
    setattr(module, name, count)
from pipeline.importing.ingest import ingest
from pipeline.settings import Settings
from pipeline.sources import csv, json_records, parquet, workbook
sys.addaudithook(heard)
counted(csv, "read_csv")
counted(json_records, "read_json")
counted(parquet, "read_parquet")
counted(workbook, "read_workbook")
for again in (False, True):
    skipped = [one.skipped for one in ingest(Path(store), [Path(folder)], Settings(practice="here"))]
    print(json.dumps([opened, parsed, skipped]))
    opened.clear()
    parsed.clear()
"""


def _plain(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def _gz(path: Path, data: bytes) -> Path:
    return _plain(path.with_name(f"{path.name}.gz"), gzip.compress(data))


def _zip(path: Path, data: bytes) -> Path:
    packed = path.with_name("june.zip")
    with zipfile.ZipFile(packed, "w") as into:
        into.writestr(path.name, data)
    return packed


def _in_place(path: Path, other: Path) -> None:
    path.write_bytes(other.read_bytes())


def _renamed(path: Path, other: Path) -> None:
    other.replace(path)


def _canals(length: str) -> bytes:
    rows = "".join(f"T{i},MB,{length}\n" for i in range(300))
    return f"treatment_id,canal,working_length_mm\n{rows}".encode()


def _stored(store: Path) -> tuple[set[str], set[float]]:
    """The hashes of the files that were imported, and the lengths of canals that they brought."""
    with open_store(store) as connection:
        hashes = connection.execute("select distinct file_hash from batches").fetchall()
        lengths = connection.execute("select distinct working_length_mm from canals").fetchall()
    return {one for (one,) in hashes}, {one for (one,) in lengths}


@pytest.mark.parametrize(("pack", "replace"), [(_plain, _in_place), (_zip, _renamed)])
def test_a_file_that_is_replaced_while_it_is_loaded_gives_rows_and_hash_of_one_version(
    pack: Pack, replace: Callable[[Path, Path], None], store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "other").mkdir()
    path = pack(tmp_path / "canals.csv", _canals("20.5"))
    other = pack(tmp_path / "other" / "canals.csv", _canals("19.0"))
    before = ingest_module.same_file_before

    def replaced(*args: Any) -> Any:  # between the hash and the rows
        replace(path, other)
        return before(*args)

    monkeypatch.setattr(ingest_module, "same_file_before", replaced)
    list(ingest(store, [path], HERE))
    assert _stored(store) == ({hashlib.sha256(_canals("20.5")).hexdigest()}, {20.5})


@pytest.mark.parametrize("replace", [_in_place, _renamed])
def test_a_large_file_that_is_replaced_after_it_was_recognised_is_loaded_as_it_was_or_not_at_all(
    replace: Callable[[Path, Path], None], store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pool, "SMALL", 0)
    path, other = _plain(tmp_path / "canals.csv", _canals("20.5")), _plain(tmp_path / "other.csv", _canals("19.0"))
    first = _plain(tmp_path / "a.csv", b"contact_id,treatment_id,contacted_at\nC1,T1,2024-03-05 12:00\n")

    def told(line: str) -> None:
        if line.startswith("Importing a.csv"):
            replace(path, other)

    left: list[LeftOut] = []
    done = list(ingest(store, [first, path], HERE, progress=told, leave_out=left.append))
    if replace is _renamed:  # the handle is still of the file that was recognised
        assert (len(done), left, _stored(store)[1]) == (2, [], {20.5})
        return
    assert len(done) == 1
    assert [str(one.error) for one in left] == [
        f"{path}: was changed while it was being read. Try again when it is complete."
    ]
    assert _stored(store)[1] == set()


@pytest.mark.parametrize("pack", [_plain, _gz, _zip])
@pytest.mark.parametrize("replace", [_in_place, _renamed])
@pytest.mark.parametrize(("small", "handles"), [(pool.SMALL, pool.HANDLES), (0, pool.HANDLES), (0, 1)])
def test_whatever_is_asked_of_a_source_comes_from_the_same_bytes(
    pack: Pack,
    replace: Callable[[Path, Path], None],
    small: int,
    handles: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pool, "SMALL", small)
    monkeypatch.setattr(pool, "HANDLES", handles)
    (tmp_path / "other").mkdir()
    path = pack(tmp_path / "canals.csv", _canals("20.5"))
    other = pack(tmp_path / "other" / "canals.csv", _canals("19.0"))
    between = _plain(tmp_path / "a.csv", b"a,b\n1,2\n")
    with pool.Pool() as files:
        table, another = (open_source(file, files).table(Dialect()) for file in find([path, between], files).files)
        assert (table.header, another.header) == (("treatment_id", "canal", "working_length_mm"), ("a", "b"))
        replace(path, other)
        if small or (replace is _renamed and handles > 1):
            assert table.source.sha256 == hashlib.sha256(_canals("20.5")).hexdigest()
            assert set(table.read().rows["c2"]) == {"20.5"}
        else:
            with pytest.raises(UserError, match="was changed while it was being read"):
                table.read()


@pytest.fixture
def every_format(tmp_path: Path, small: Path) -> Path:
    """A folder with a file of every format: two members in an archive, three sheets in a workbook."""
    folder = tmp_path / "exports"
    folder.mkdir()
    cells = {
        path.stem: pl.read_csv(path, infer_schema=False, empty_string_is_null=False) for path in small.glob("*.csv")
    }
    for kind, form in (
        ("treatments", "UTF-8 with mark"),
        ("visits", "gzip"),
        ("canals", "zip"),
        ("instrument_uses", "zip"),
        ("instruments", "ODS"),
        ("contacts", "Parquet"),
        ("follow_ups", "NDJSON"),
        ("incidents", "JSON array"),
    ):
        FORMATS[form](cells[kind], kind, folder)
    with xlsxwriter.Workbook(folder / "three.xlsx") as book:
        for kind in ("treatments", "canals", "contacts"):
            cells[kind].write_excel(book, kind)
    return folder


def test_every_file_is_opened_once_read_once_and_a_workbook_is_one_process(every_format: Path, store: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-c", COUNTED, str(every_format), str(store)], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    once = {path.name: 1 for path in every_format.iterdir()}
    assert len(once) == 8
    once["another process"] = 2  # the ODS, and the XLSX with its three sheets
    first, again = (json.loads(line) for line in run.stdout.splitlines())
    assert (first[0], again[0]) == (once, once)
    assert (first[2], again[2]) == ([False] * 11, [True] * 11)
    assert set(first[1].values()) == {1, 3}
    assert first[1].pop("three.xlsx") == 3
    # Of what was imported before, rows are read only where the header, or whether it is sound, takes the whole file.
    assert again[1] == {"contacts.parquet": 1, "follow_ups.ndjson": 1, "incidents.json": 1}


def test_thousands_of_files_take_bounded_handles_and_memory(store: Path, tmp_path: Path) -> None:
    """As many open at a time as a limit of 128 allows, with 400 files of which none may be kept whole."""
    resource = pytest.importorskip("resource")
    assert resource
    folder = tmp_path / "exports"
    folder.mkdir()
    for number in range(400):
        row = f"C{number},T1,2024-03-05 12:00"
        (folder / f"{number:03}.csv").write_text(f"contact_id,treatment_id,contacted_at\n{row}\n", encoding="utf-8")
    script = (
        "import resource, sys; from pathlib import Path; from pipeline.sources import pool; pool.SMALL = 0; "
        "resource.setrlimit(resource.RLIMIT_NOFILE, (128, 128)); "
        "from pipeline.sources.pool import Pool; from pipeline.sources.read import find, open_source; "
        "from pipeline.sources.table import Dialect\n"
        "with Pool() as files:\n"
        "    tables = [open_source(f, files).table(Dialect()) for f in find([Path(sys.argv[1])], files).files]\n"
        "    assert {t.header for t in tables} == {('contact_id', 'treatment_id', 'contacted_at')}\n"
        "    print(sum(t.read().rows.height for t in tables), len(list(Path('/proc/self/fd').iterdir())))\n"
    )
    run = subprocess.run([sys.executable, "-c", script, str(folder)], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    rows, handles = map(int, run.stdout.split())
    assert rows == 400
    assert handles < 64 + 20


def test_what_is_kept_of_files_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "KEPT", 10)
    paths = [_plain(tmp_path / f"{number}.csv", b"12345") for number in range(4)]
    with pool.Pool() as files:
        opened = [files.file(path) for path in paths]
        assert [one.read_bytes() for one in opened] == [b"12345"] * 4
        for path in paths:
            path.write_bytes(b"other")
        assert [one.read_bytes() for one in opened] == [b"12345"] * 2 + [b"other"] * 2
        opened[0].close()
        assert opened[3].stream() is not None


def test_a_file_that_became_another_is_not_read_as_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "SMALL", 0)
    path = _zip(tmp_path / "canals.csv", _canals("20.5"))
    with pool.Pool() as files:
        (member,) = find([path], files).files
        source = open_source(member, files)
        assert source.size == len(_canals("20.5"))
        path.write_bytes(b"no archive any more")
        with pytest.raises(UserError, match="was changed while it was being read") as caught:
            source.table(Dialect()).read()
    assert str(member) in str(caught.value)


def test_tables_beyond_what_is_kept_of_them_are_read_again_but_not_those_that_fit(
    every_format: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    own = json_records.read_json
    monkeypatch.setattr(json_records, "read_json", lambda file, *how: (read.append(file.name), own(file, *how))[1])
    data = (every_format / "incidents.json").read_bytes()
    paths = [_plain(every_format / f"{number}.json", data) for number in range(4)]
    with pool.Pool() as files:
        first = open_source(paths[0], files)
        first.table(Dialect()).read()
        monkeypatch.setattr(pool, "TABLES", 2.5 * files.bytes_of_tables)
    read.clear()
    with pool.Pool() as files:
        tables = [open_source(path, files).table(Dialect()) for path in paths]
        assert len({table.header for table in tables}) == 1
        for table in tables:
            table.read()
            table.source.close()
        assert files.bytes_of_tables == 0
    assert read == ["0.json", "1.json", "2.json", "3.json", "1.json", "2.json"]
