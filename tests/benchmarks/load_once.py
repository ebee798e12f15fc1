"""Load one folder of exports once, in a process of its own, and print what it took as JSON.

    python load_once.py canalwise|bare FOLDER NEW_FILE

`canalwise` is the whole import: reading, typing, every rule, pseudonyms, batches, rules across kinds. `bare` is DuckDB
alone reading the same files with their types declared. Libraries are imported before the clock starts.
"""

import importlib
import json
import resource
import sys
import time
from pathlib import Path
from typing import Any


def canalwise(folder: Path, new: Path) -> Any:
    for library in (
        "duckdb",
        "great_expectations.expectations.expectation_configuration",
        "pandas",
        "polars",
        "pyarrow",
    ):
        importlib.import_module(library)
    from pipeline.importing.ingest import ingest
    from pipeline.settings import load_settings

    settings = load_settings(folder / "canalwise.toml")

    def load() -> dict[str, int]:
        return {done.kind: done.counts.loaded for done in ingest(new, [folder], settings)}

    return load


def bare(folder: Path, new: Path) -> Any:
    import duckdb

    from pipeline.records import KINDS, SQL_TYPE

    def load() -> dict[str, int]:
        loaded = {}
        with duckdb.connect(str(new)) as connection:
            for name, kind in KINDS.items():
                file = folder / f"{name}.csv"
                types = {c.name: SQL_TYPE[c.type] for c in kind.columns}
                with file.open(encoding="utf-8") as lines:
                    columns = {column: types[column] for column in lines.readline().strip().split(",")}
                connection.execute(
                    f"create table {name} as select * from read_csv('{file}', columns = {columns}, "
                    "auto_detect = false, header = true, delim = ',', quote = '\"', escape = '\"')"
                )
                found = connection.execute(f"select count(*) from {name}").fetchone()
                loaded[name] = found[0] if found else 0
        return loaded

    return load


def peak_mb() -> float:
    """The most memory this process ever held, in MB."""
    # On Linux ru_maxrss also remembers the process that started this one, up to the moment of the start.
    status = Path("/proc/self/status")
    if status.exists():
        return next(int(line.split()[1]) for line in status.read_text().splitlines() if line.startswith("VmHWM")) / 1024
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)


def main() -> None:
    how, folder, new = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    start = time.perf_counter()
    load = {"canalwise": canalwise, "bare": bare}[how](folder, new)
    imports = time.perf_counter() - start
    start, cpu = time.perf_counter(), time.process_time()
    loaded = load()
    seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
    print(json.dumps({"seconds": seconds, "cpu": cpu, "imports": imports, "peak_mb": peak_mb(), "loaded": loaded}))


if __name__ == "__main__":
    main()
