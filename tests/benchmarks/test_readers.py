"""How many rows a second each reader reads, and how much longer it takes than a bare library with the same file.

Ours accounts for every line, finds the header and leaves every cell as text; DuckDB and Polars read the same bytes as
text in the same run, in turn, so that what else the machine does falls on all. Run with `pytest -n 0 -m benchmark -s`.
"""

from __future__ import annotations

import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import escape

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.sources.read import read
from pipeline.sources.table import Dialect

ROWS, ROWS_OF_A_SHEET = 1_000_000, 100_000
ROUNDS = 3
AT_MOST = 10.0  # times the faster of the bare readers, for text files


def records(rows: int) -> pl.DataFrame:
    """Seven columns as an export of instrument uses has them."""
    random = np.random.default_rng(4711)
    return pl.DataFrame(
        {
            "use_id": [f"U{i:07}" for i in range(rows)],
            "treatment_id": [f"T{i // 12:06}" for i in range(rows)],
            "canal": random.choice(["MB", "DB", "P"], rows),
            "size": random.choice(["15", "20", "25"], rows),
            "taper": random.choice(["0.02", "0.04", "0.06"], rows),
            "started_at": ["2024-03-04 09:20:00"] * rows,
            "seconds": random.integers(1, 90, rows).astype(str),
        }
    )


def _ods(cells: pl.DataFrame, path: Path) -> None:
    """The least that is an OpenDocument spreadsheet (ISO/IEC 26300), with text cells."""
    office = "urn:oasis:names:tc:opendocument:xmlns:"
    cell = '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>'
    rows = "".join(
        "<table:table-row>" + "".join(cell.format(escape(value)) for value in row) + "</table:table-row>"
        for row in (cells.columns, *cells.iter_rows())
    )
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr(
            "content.xml",
            f'<office:document-content xmlns:office="{office}office:1.0" xmlns:table="{office}table:1.0" '
            f'xmlns:text="{office}text:1.0"><office:body><office:spreadsheet><table:table table:name="S">{rows}'
            "</table:table></office:spreadsheet></office:body></office:document-content>",
        )
        packed.writestr(
            "META-INF/manifest.xml",
            f'<manifest:manifest xmlns:manifest="{office}manifest:1.0"><manifest:file-entry manifest:full-path="/" '
            'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/></manifest:manifest>',
        )


def _duckdb(function: str) -> Callable[[Path], int]:
    def load(path: Path) -> int:
        with duckdb.connect() as connection:
            return connection.sql(f"select * from {function.format(path=path)}").to_arrow_table().num_rows

    return load


def _text(encoding: str = "utf-8", **how: str) -> Callable[[pl.DataFrame, Path], None]:
    return lambda cells, path: path.write_bytes(cells.write_csv(**how).encode(encoding)) and None  # type: ignore[arg-type]


@dataclass(frozen=True)
class Format:
    """A file, how it is written, and how the bare libraries read it; None where one cannot without the network."""

    name: str
    write: Callable[[pl.DataFrame, Path], None]
    duckdb: Callable[[Path], int] | None
    polars: Callable[[Path], int]
    dialect: Dialect = field(default_factory=Dialect)
    is_text: bool = True


FORMATS = [
    Format(
        "CSV.csv",
        _text(),
        _duckdb("read_csv('{path}', all_varchar = true)"),
        lambda path: pl.read_csv(path, infer_schema=False).height,
    ),
    Format(
        "CSV, all quoted.csv",
        _text(quote_style="always"),
        _duckdb("read_csv('{path}', all_varchar = true)"),
        lambda path: pl.read_csv(path, infer_schema=False).height,
    ),
    Format(
        "TSV.tsv",
        _text(separator="\t"),
        _duckdb("read_csv('{path}', all_varchar = true, delim = '\t')"),
        lambda path: pl.read_csv(path, infer_schema=False, separator="\t").height,
        Dialect(delimiter="\t"),
    ),
    Format(
        "UTF-16.csv",
        _text("utf-16"),
        _duckdb("read_csv('{path}', all_varchar = true, encoding = 'utf-16')"),
        lambda path: pl.read_csv(path, infer_schema=False, encoding="utf-16").height,
    ),
    Format(
        "NDJSON.ndjson",
        lambda cells, path: cells.write_ndjson(path),
        _duckdb("read_ndjson('{path}')"),
        lambda path: pl.read_ndjson(path).height,
        is_text=False,
    ),
    Format(
        "Parquet.parquet",
        lambda cells, path: cells.write_parquet(path),
        _duckdb("read_parquet('{path}')"),
        lambda path: pl.read_parquet(path).height,
        is_text=False,
    ),
    Format(
        "XLSX.xlsx",
        lambda cells, path: cells.write_excel(path) and None,
        None,
        lambda path: pl.read_excel(path, infer_schema_length=0).height,
        is_text=False,
    ),
    Format("ODS.ods", _ods, None, lambda path: pl.read_ods(path, infer_schema_length=0).height, is_text=False),
]


def rows_of(format_: Format) -> int:
    return ROWS_OF_A_SHEET if format_.name.endswith((".xlsx", ".ods")) else ROWS


def measure(format_: Format, path: Path, rounds: int) -> dict[str, tuple[float, int]]:
    """For each way of reading the shortest time, in seconds, and the rows it read."""
    ways = {
        "ours": lambda path: read(path, format_.dialect).rows.height,
        "DuckDB": format_.duckdb,
        "Polars": format_.polars,
    }
    best: dict[str, tuple[float, int]] = {}
    for _ in range(rounds):
        for name, way in ways.items():
            if way is None:
                continue
            start = time.perf_counter()
            rows = way(path)
            taken = time.perf_counter() - start
            best[name] = min(best.get(name, (taken, rows)), (taken, rows))
    return best


def line(format_: Format, path: Path, best: dict[str, tuple[float, int]]) -> str:
    seconds, rows = best["ours"]
    ratios = [f"{seconds / best[name][0]:>9.1f}" if name in best else f"{'-':>9}" for name in ("DuckDB", "Polars")]
    size = path.stat().st_size / 1e6
    return f"{path.stem:<18}{size:>6.0f} MB{rows:>11,}{seconds:>9.2f} s{rows / seconds:>13,.0f}{''.join(ratios)}"


@pytest.mark.parametrize("format_", FORMATS, ids=lambda f: f.name)
def test_all_ways_read_the_same_rows_of_a_small_file(format_: Format, tmp_path: Path) -> None:
    path = tmp_path / format_.name
    format_.write(records(50), path)
    best = measure(format_, path, rounds=1)
    assert {rows for _, rows in best.values()} == {50}
    assert len(best) == (3 if format_.duckdb else 2)
    assert path.stem in line(format_, path, best)


@pytest.mark.benchmark
def test_readers_against_bare_libraries(tmp_path: Path) -> None:
    print(f"\n{'':<18}{'size':>9}{'rows':>11}{'ours':>11}{'rows a s':>13}{'/ DuckDB':>9}{'/ Polars':>9}")
    ratios: dict[str, float] = {}
    for format_ in FORMATS:
        path = tmp_path / format_.name
        format_.write(records(rows_of(format_)), path)
        best = measure(format_, path, ROUNDS)
        print(line(format_, path, best))
        assert {rows for _, rows in best.values()} == {rows_of(format_)}
        if format_.is_text:
            ratios[format_.name] = best["ours"][0] / min(best["DuckDB"][0], best["Polars"][0])
        path.unlink()
    assert max(ratios.values()) <= AT_MOST, ratios
