"""How much longer mapping takes than bare Polars needs to give the same cells the same types.

Run with `pytest -n 0 -m benchmark -s`. Mapping also trims cells, looks for what does not parse, and knows practices,
zones and units; it may take four times as long on an export with our own headers.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import polars as pl
import pytest

from pipeline.mapping.apply import POLARS_TYPE, Typed, apply
from pipeline.mapping.model import FileOptions, canonical
from pipeline.records import KINDS
from pipeline.sources.table import RawTable

ROWS = 1_000_000
ROUNDS = 5
AT_MOST = 4.0
CELLS = {
    "use_id": pl.format("U{}", "n"),
    "treatment_id": pl.format("T{}", pl.col("n") // 12),
    "canal": pl.when(pl.col("n") % 4 > 0).then(pl.lit("MB")).otherwise(pl.lit("P")),
    "step": pl.col("n") % 5 + 1,
    "size": pl.col("n") % 4 * 5 + 15,
    "taper": pl.when(pl.col("n") % 3 > 0).then(pl.lit("0.04")).otherwise(pl.lit("0.06")),
    "motion": pl.when(pl.col("n") % 2 > 0).then(pl.lit("rotation")).otherwise(pl.lit("hand")),
    "started_at": (pl.datetime(2024, 1, 1) + pl.duration(minutes=pl.col("n"))).dt.strftime("%Y-%m-%d %H:%M:%S"),
    "seconds": pl.format("{}.5", pl.col("n") % 100),
    "speed_rpm": pl.when(pl.col("n") % 7 > 0).then(pl.lit("300")),
    "result": pl.lit("intact"),
}


def export(rows: int) -> RawTable:
    numbers = pl.DataFrame({"n": pl.int_range(rows, eager=True)})
    cells = numbers.select(
        (pl.col("n") + 2).alias("source_row"),
        *(cell.cast(pl.String).fill_null("").alias(f"c{i}") for i, cell in enumerate(CELLS.values())),
    )
    return RawTable(tuple(CELLS), cells)


def bare(raw: RawTable) -> pl.DataFrame:
    types = {column.name: POLARS_TYPE[column.type] for column in KINDS["instrument_uses"].columns}
    cells = {name: pl.col(f"c{i}").replace("", None) for i, name in enumerate(raw.header)}
    return raw.rows.select(
        cell.str.to_datetime("%Y-%m-%d %H:%M:%S", time_unit="us").alias(name)
        if types[name] == pl.Datetime
        else cell.cast(types[name]).alias(name)
        for name, cell in cells.items()
    )


def mapped(raw: RawTable) -> Typed:
    return apply(raw, "instrument_uses", canonical(raw.header, "instrument_uses"), FileOptions(), "here")


def best(work: Callable[[], object], rounds: int) -> tuple[float, float]:
    """The shortest wall and processor time, in seconds."""
    wall, cpu = [], []
    for _ in range(rounds):
        start, start_cpu = time.perf_counter(), time.process_time()
        work()
        wall.append(time.perf_counter() - start)
        cpu.append(time.process_time() - start_cpu)
    return min(wall), min(cpu)


def test_both_ways_give_the_same_records() -> None:
    raw = export(1000)
    done = mapped(raw)
    assert done.faults.height == 0
    assert done.records.select(raw.header).equals(bare(raw))


@pytest.mark.benchmark
def test_mapping_against_bare_casts() -> None:
    raw = export(ROWS)
    times = {"bare Polars": best(lambda: bare(raw), ROUNDS), "mapping": best(lambda: mapped(raw), ROUNDS)}
    print(f"\n{ROWS:,} rows of {len(CELLS)} columns, best of {ROUNDS}\n{'':<12}{'seconds':>9}{'CPU s':>8}")
    print("\n".join(f"{how:<12}{wall:>9.2f}{cpu:>8.2f}" for how, (wall, cpu) in times.items()))
    ratios = [ours / theirs for ours, theirs in zip(times["mapping"], times["bare Polars"], strict=True)]
    print(f"{'ratio':<12}{ratios[0]:>9.2f}{ratios[1]:>8.2f}")
    # On a busy machine the wall clock measures the neighbours as well; the processor's own clock does not.
    assert min(ratios) <= AT_MOST
