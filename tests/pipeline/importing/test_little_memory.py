"""A file larger than the memory that DuckDB may take is loaded; what it spills is beside the store, and gone then."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import UserError
from pipeline.importing import ingest as importing
from pipeline.importing import staged
from pipeline.importing.ingest import ingest
from pipeline.sources import pool
from pipeline.store.database import open_store


def visits(path: Path, many: int) -> Path:
    """Visits of 25 minutes in one chair, with reasons that are all different, so that nothing is small for DuckDB."""
    n = pl.int_range(many, eager=True)
    seated = pl.Series([0]).cast(pl.Datetime("us")).new_from_index(0, many)
    rows = pl.DataFrame(
        {
            "visit_id": n.cast(pl.String).hash(1).cast(pl.String),
            "treatment_id": n.cast(pl.String).hash(2).cast(pl.String),
            "dentist": ["D1"] * many,
            "chair": ["chair 1"] * many,
            "seated_at": seated + pl.Series(n * 30 * 60_000_000).cast(pl.Duration("us")),
        }
    ).with_columns(
        pl.col("seated_at").dt.strftime("%Y-%m-%d %H:%M:%S"),
        left_at=(pl.col("seated_at") + pl.duration(minutes=25)).dt.strftime("%Y-%m-%d %H:%M:%S"),
        booked_minutes=pl.lit(30),
        rubber_dam=pl.lit("true"),
        reason=pl.lit("planned"),
    )
    rows.write_csv(path)
    return path


@pytest.mark.parametrize(
    ("many", "memory"), [(20_000, "60MB"), pytest.param(400_000, "40MB", marks=pytest.mark.slow)], ids=["some", "many"]
)
def test_a_file_larger_than_the_memory_is_loaded_and_nothing_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, many: int, memory: str
) -> None:
    monkeypatch.setattr(importing, "LEAST_MEMORY", 1)
    monkeypatch.setattr(pool, "SMALL", 1 << 20)
    monkeypatch.setattr(staged, "IN_MEMORY", 1 << 20)
    file = visits(tmp_path / "visits.csv", many)
    assert many < 400_000 or file.stat().st_size > 1e6 * int(memory.removesuffix("MB"))
    store = tmp_path / "practice.duckdb"
    (done,) = ingest(store, [file], memory=memory)
    assert done.counts.read == many == done.counts.loaded + done.counts.quarantined
    assert sorted(path.name for path in tmp_path.iterdir()) == ["practice.duckdb", "practice.key", "visits.csv"]
    with open_store(store) as connection:
        assert connection.execute("select count(*) from visits").fetchone() == (done.counts.loaded,)


@pytest.mark.parametrize(
    ("memory", "said"),
    [
        *((memory, "is no size of memory") for memory in ("much", "2 GBs", "-1GB", "1kB", "80%")),
        *((memory, "Give it 60MB or more") for memory in ("0GB", "59.9 MB")),
    ],
)
def test_what_is_no_size_is_said(tmp_path: Path, memory: str, said: str) -> None:
    (tmp_path / "visits.csv").write_text("visit_id,treatment_id,seated_at,left_at\nV1,T1,2024-03-04 09:00,\n")
    with pytest.raises(UserError, match=said):
        list(ingest(tmp_path / "practice.duckdb", [tmp_path / "visits.csv"], memory=memory))
