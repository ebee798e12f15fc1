"""An export that is read, typed and staged piece by piece leaves the store that it leaves as a whole."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import UserError
from pipeline.importing import staged
from pipeline.importing.ingest import ingest
from pipeline.mapping.apply import Whole, apply
from pipeline.mapping.model import FileOptions
from pipeline.mapping.recognise import recognise
from pipeline.settings import Settings
from pipeline.sources import plain, pool, table
from pipeline.sources.table import Pieces, RawTable
from pipeline.store.database import open_store

HERE = Settings(practice="here")
TABLES = ("instrument_uses", "treatments", "quarantine", "cells", "flags", "batches")


def in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of any file: blocks of 300 bytes, five rows at a time, records in a file."""
    monkeypatch.setattr(pool, "SMALL", 0)
    monkeypatch.setattr(pool, "CHUNK", 300)
    monkeypatch.setattr(plain, "CHUNK", 300)
    monkeypatch.setattr(table, "AT_A_TIME", 5)
    monkeypatch.setattr(staged, "IN_MEMORY", 0)


def stored(folder: Path, files: dict[str, str], mapping: Path | None = None) -> Any:
    """What a store holds of these files, or why it holds nothing."""
    folder.mkdir()
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    store = folder / "canalwise.duckdb"
    (folder / "canalwise.key").write_bytes(b"k" * 32)
    try:
        done = [vars(one) for one in ingest(store, sorted(folder.glob("*.csv")), HERE, mapping_file=mapping)]
    except UserError as e:
        return str(e).replace(str(folder), "")
    with open_store(store) as connection:
        found = {}
        for name in TABLES:
            columns = [c for (c,) in connection.execute(
                "select column_name from duckdb_columns() where table_name = ? and column_name not like '%_at' "
                "order by column_index", [name]).fetchall()]  # fmt: skip
            rows = connection.execute(f'''select "{'", "'.join(columns)}" from {name}''').fetchall()
            found[name] = sorted(map(repr, rows))
    assert not (folder / "canalwise.duckdb.tmp").exists()
    return done, found


VALUES = (
    *("1_000", "nan", "inf", "-inf", "1e3", "25", "0.04", "4 %", ".06", "", " 30 ", "\u00a025", "25\u2003", "\u200b25"),
    *(
        "2024-03-04 09:20:00",
        "2024-03-04T09:20+02:00",
        "2024-03-04 09:20Z",
        "04.03.2024 09:20",
        "0024-03-04 09:20:00",
    ),
    *("rotation", "Rotation ", "hand", "intact", "T1", "999999"),
)


@given(
    cells=st.lists(st.tuples(*[st.sampled_from(VALUES)] * 5), min_size=1, max_size=12),
    size=st.integers(1, 5),
)
def test_any_values_are_typed_in_pieces_as_they_are_as_a_whole(cells: list[tuple[str, ...]], size: int) -> None:
    import polars as pl

    header = ("use_id", "treatment_id", "canal", "step", "taper", "started_at", "motion", "seconds")
    rows = [[i + 2, f"U{i}", "T1", "MB", *row] for i, row in enumerate(cells)]
    frame = pl.DataFrame(
        rows, orient="row", schema={"source_row": pl.Int64, **dict.fromkeys([f"c{i}" for i in range(8)], pl.String)}
    )
    raw = RawTable(header, frame)
    (how,) = recognise(header, "here", as_kind="instrument_uses", mapping=None)
    pieces = Pieces(raw, lambda: frame.iter_slices(size))

    def of_whole() -> Any:
        typed = apply(raw, how.kind, how.mapping, FileOptions(), "here", where="x.csv")
        return typed.records.rows(), sorted(typed.faults.rows()), typed.cells

    def of_pieces() -> Any:
        whole = Whole(how.kind, "x.csv")
        found = [apply(one, how.kind, how.mapping, FileOptions(), "here", whole=whole) for one in pieces]
        assert whole.settle() is None
        return (
            [row for typed in found for row in typed.records.rows()],
            sorted(row for typed in found for row in typed.faults.rows()),
            {name: sum(typed.cells[name] for typed in found) for name in found[0].cells},
        )

    assert told(of_pieces) == told(of_whole)


def told(way: Any) -> Any:
    try:
        return way()
    except UserError as e:
        return str(e)


USES = "use_id,treatment_id,canal,step,size,taper,started_at,motion"
USE = "U{0},T{0},MB,1,{1},{2},2024-03-0{3} 09:20:00,rotation"
TREATMENTS = "treatment_id,patient_id,tooth,started_on"


def uses(many: int) -> str:
    """Uses with values that are blanked or refused here and there, one key that says two things and a row twice."""
    sizes, tapers = ("25", "1_000", "25", "nan", "30", "999"), ("0.04", "0.06", "inf", "4 %")
    rows = [USE.format(i, sizes[i % 6], tapers[i % 4], 1 + i % 9) for i in range(many)]
    rows += [USE.format(3, 40, "0.02", 1), rows[5], ",T1,MB,1,25,0.04,2024-03-01 09:20:00,rotation"]
    return "\n".join([USES, *rows, ""])


def teeth(codes: list[str], day: str = "2024-03-04") -> str:
    return "\n".join([TREATMENTS, *(f"T{i},P{i % 7},{code},{day}" for i, code in enumerate(codes)), ""])


@pytest.mark.parametrize(
    ("files", "error"),
    [
        ({"instrument_uses.csv": uses(60)}, None),
        ({"instrument_uses.csv": uses(60).replace("\n", "\r\n"), "treatments.csv": teeth(["11", "36"] * 20)}, None),
        ({"instrument_uses.csv": uses(60).replace("rotation", '"rotation"')}, None),
        ({"treatments.csv": teeth(["11", "21"] * 30)}, "valid both as an FDI code and as a Universal number"),
        ({"treatments.csv": teeth(["11", "21"] * 30 + ["30"])}, None),  # the last tooth tells: Universal numbers
        ({"treatments.csv": teeth(["36"] * 30 + ["30"])}, "some of its teeth are only fdi, others only universal"),
        ({"treatments.csv": teeth(["36"] * 30, "04.03.2024")}, "most of it reads as %d.%m.%Y"),
        ({"treatments.csv": teeth(["36"] * 30, "04.03.2024") + "T99,P1,36,2024-03-04\n"}, None),
        ({"treatments.csv": teeth(["36"] * 30, "someday")}, None),
        ({"treatments.csv": teeth(["11", "21"] * 30, "04.03.2024")}, "valid both as an FDI code"),
    ],
)
def test_a_store_is_the_same_whether_its_files_were_read_in_pieces_or_as_a_whole(
    files: dict[str, str], error: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mapping = None
    if "instrument_uses.csv" not in files:  # our own names alone say how teeth and dates are written
        mapping = tmp_path / "mapping.toml"
        mapping.write_text(
            "\n".join(["[treatments.columns]", *(f'{name} = "{name}"' for name in TREATMENTS.split(","))])
        )
    whole = stored(tmp_path / "whole", files, mapping)
    assert isinstance(whole, str) is (error is not None)
    assert error is None or error in whole
    in_pieces(monkeypatch)
    assert stored(tmp_path / "pieces", files, mapping) == whole


def test_a_file_changed_between_the_rows_and_their_refusals_leaves_the_store_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_pieces(monkeypatch)
    path = tmp_path / "instrument_uses.csv"
    path.write_text(uses(60), encoding="utf-8")
    from pipeline.importing import load

    own = load.settle

    def replaced(*args: Any) -> None:
        path.write_text(uses(60).replace("0.04", "0.02"), encoding="utf-8")
        own(*args)

    monkeypatch.setattr(load, "settle", replaced)
    store = tmp_path / "canalwise.duckdb"
    with pytest.raises(UserError, match="was changed while it was being read"):
        list(ingest(store, [path], HERE))
    with open_store(store) as connection:
        assert connection.execute("select count(*) from instrument_uses").fetchone() == (0,)
    assert not store.with_name("canalwise.duckdb.tmp").exists()


def test_a_disk_that_is_full_is_said_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    in_pieces(monkeypatch)

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pyarrow.ipc.new_file", full)
    visits = "visit_id,treatment_id,dentist,seated_at,left_at\nV1,T1,D1,2024-03-04 09:00:00,2024-03-04 10:00:00\n"
    said = stored(tmp_path / "full", {"visits.csv": visits})
    assert "records cannot be kept beside the store while they are read (No space left on device)" in said
