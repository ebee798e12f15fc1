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
from pipeline.sources import csv, json_records, parquet, pool, workbook
from pipeline.sources.read import find, open_source
from pipeline.sources.table import Dialect
from pipeline.sources.unread import LeftOut
from pipeline.store.database import open_store
from tests.pipeline.sources.test_formats import FORMATS

HERE = Settings(practice="here")
Pack = Callable[[Path, bytes], Path]

# Runs an import and tells, as JSON, how often each file of a folder was opened by Python in any way.
COUNTED = """
import json, sys
from collections import Counter
from pathlib import Path
folder, store = sys.argv[1:]
opened = Counter()
def heard(event, args):
    if event == "open" and isinstance(args[0], (str, bytes)) and str(args[0]).startswith(folder):
        opened[Path(args[0]).name] += 1
    if event == "subprocess.Popen":
        opened["another process"] += 1
sys.addaudithook(heard)
from pipeline.importing.ingest import ingest
from pipeline.settings import Settings
done = list(ingest(Path(store), [Path(folder)], Settings(practice="here")))
print(json.dumps([opened, [one.skipped for one in done]]))
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


@pytest.mark.parametrize("pack", [_plain, _gz, _zip])
@pytest.mark.parametrize("replace", [_in_place, _renamed])
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


def _replaced_when_recognised(path: Path, other: Path, replace: Callable[[Path, Path], None]) -> Callable[[str], None]:
    """For `progress`: what is there when the first file is about to be loaded."""

    def told(line: str) -> None:
        if line.startswith("Importing") and other.exists():
            replace(path, other)
            other.unlink(missing_ok=True)

    return told


@pytest.mark.parametrize("pack", [_plain, _gz, _zip])
@pytest.mark.parametrize("replace", [_in_place, _renamed])
@pytest.mark.parametrize("small", [pool.SMALL, 0])
@pytest.mark.parametrize("handles", [pool.HANDLES, 1])
def test_a_file_that_is_replaced_after_it_was_recognised_is_loaded_as_it_was_or_not_at_all(
    pack: Pack,
    replace: Callable[[Path, Path], None],
    small: int,
    handles: int,
    store: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pool, "SMALL", small)
    monkeypatch.setattr(pool, "HANDLES", handles)
    (tmp_path / "other").mkdir()
    first = _plain(tmp_path / "a.csv", b"contact_id,treatment_id,contacted_at\nC1,T1,2024-03-05 12:00\n")
    path = pack(tmp_path / "canals.csv", _canals("20.5"))
    other = pack(tmp_path / "other" / "canals.csv", _canals("19.0"))
    left: list[LeftOut] = []
    told = _replaced_when_recognised(path, other, replace)
    done = list(ingest(store, [first, path], HERE, progress=told, leave_out=left.append))
    if len(done) == 2:
        assert _stored(store)[1] == {20.5}
        assert not left
    else:
        (one,) = left
        assert "was changed while it was being read" in str(one.error)
        assert str(path) in str(one.error)
        assert _stored(store)[1] == set()
    # Bytes that are kept, and the handle of a file that was put away, are still those of the file that was recognised.
    assert (len(done) == 2) == (small > 0 or (replace is _renamed and handles > 1))


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


def _counted(folder: Path, store: Path) -> tuple[dict[str, int], list[bool]]:
    run = subprocess.run(
        [sys.executable, "-c", COUNTED, str(folder), str(store)], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    opened, skipped = json.loads(run.stdout.splitlines()[-1])
    return opened, skipped


def test_every_file_is_opened_once_and_a_workbook_is_one_process(every_format: Path, store: Path) -> None:
    once = {path.name: 1 for path in every_format.iterdir()}
    assert len(once) == 8
    once["another process"] = 2  # the ODS, and the XLSX with its three sheets
    assert _counted(every_format, store) == (once, [False] * 11)
    assert _counted(every_format, store) == (once, [True] * 11)


def test_of_a_file_that_was_imported_before_no_row_is_read(
    every_format: Path, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    list(ingest(store, [every_format], HERE))
    parsed: list[str] = []
    for module, reader in ((csv, "read_csv"), (json_records, "read_json"), (parquet, "read_parquet")):
        own = getattr(module, reader)
        monkeypatch.setattr(module, reader, lambda file, *how, own=own: (parsed.append(file.name), own(file, *how))[1])
    monkeypatch.setattr(workbook, "read_workbook", None)
    assert all(one.skipped for one in ingest(store, [every_format], HERE))
    # Of these the header takes the whole file: it is read once, and not again.
    assert sorted(parsed) == ["contacts.parquet", "follow_ups.ndjson", "incidents.json"]


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
