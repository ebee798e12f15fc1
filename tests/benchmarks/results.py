"""What each piece of work takes, against its target: measured at several sizes, written to RESULTS.md.

    python -m tests.benchmarks.results --treatments 10000 100000      # and 1000000: 15 GB of disk beside --work
    python -m tests.benchmarks.results --demo                         # the rows of the invented practice
    python -m tests.benchmarks.results                                # RESULTS.md anew from measured.json

Each piece runs in a process of its own, one after another. CPU seconds are those of the process and of all that it
started; of libraries' imports too where it is a command, not where it is a task (tasks.py, load_once.py). Peak memory
is the most that the process and its children held at once, looked at twenty times a second. Ratios are of CPU seconds
in one run. What was measured at a size replaces what measured.json had of it; text below the line in RESULTS.md
is kept by hand.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import os
import platform
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
MEASURED, RESULTS = HERE / "measured.json", HERE / "RESULTS.md"
BY_HAND = "<!-- below: by hand -->"
LONGEST = 900  # seconds; what takes longer is ended, and told as that much
SMALL_MEMORY = 0.5  # of the exports' bytes: what DuckDB may take where the file is to be larger than the memory

Took = dict[str, Any]


def held(group: int) -> int:
    """Bytes that the processes of a group hold now."""
    total = 0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[2]) == group:
            total += int(fields[21]) * os.sysconf("SC_PAGE_SIZE")
    return total


def run(*command: object) -> Took:
    """What a command took; what its last line says, if that is JSON, stands in its place."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    with tempfile.TemporaryFile("w+") as said, tempfile.TemporaryFile("w+") as wrong:
        begun = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, *map(str, command)],
            cwd=ROOT, env=environment, stdout=said, stderr=wrong, start_new_session=True,
        )  # fmt: skip
        peak, over = 0, threading.Event()

        def watch() -> None:
            nonlocal peak
            while not over.wait(0.05):
                peak = max(peak, held(process.pid))
                if time.perf_counter() - begun > LONGEST:
                    os.killpg(process.pid, signal.SIGKILL)
                    return

        watcher = threading.Thread(target=watch)
        watcher.start()
        _, status, used = os.wait4(process.pid, 0)
        over.set()
        watcher.join()
        process.returncode = os.waitstatus_to_exitcode(status)
        took: Took = {
            "cpu": used.ru_utime + used.ru_stime,
            "seconds": time.perf_counter() - begun,
            "peak_mb": peak / 1e6,
        }
        said.seek(0)
        wrong.seek(0)
        text = said.read()
        if process.returncode == -signal.SIGKILL and took["seconds"] > LONGEST:
            return took | {"wrong": f"ended after {LONGEST} s"}
        if process.returncode:
            print(f"{' '.join(map(str, command))}\n{text[-2000:]}{wrong.read()[-4000:]}", flush=True)
            return took | {"wrong": "failed"}
    last = text.splitlines()[-1] if text.strip() else ""
    return took | json.loads(last) | {"peak_mb": took["peak_mb"]} if last.startswith("{") else took


def middle(times: Sequence[Took]) -> Took:
    """The run that took the median CPU time."""
    return sorted(times, key=lambda took: took["cpu"])[(len(times) - 1) // 2]


def task(name: str, path: Path) -> Took:
    return run("-m", "tests.benchmarks.tasks", name, path)


def load(how: str, folder: Path, store: Path) -> Took:
    return run(HERE / "load_once.py", how, folder, store)


def clear(store: Path) -> None:
    for file in store.parent.glob(f"{store.stem}.*"):
        file.unlink() if file.is_file() else shutil.rmtree(file)


def say(row: str, took: Took) -> Took:
    wrong = f"  {took['wrong']}" if "wrong" in took else ""
    print(f"{row:<24}{took['cpu']:>9.2f} CPU s{took['seconds']:>9.2f} s{took['peak_mb']:>8.0f} MB{wrong}", flush=True)
    return took


class Found(dict[str, Took]):
    """Rows of a size, told and kept as they come."""

    def __init__(self, before: dict[str, Took], keep: Callable[[dict[str, Took]], None]) -> None:
        super().__init__(before)
        self._keep = keep

    def __setitem__(self, row: str, took: Took) -> None:
        super().__setitem__(row, took)
        if "cpu" in took:
            say(row, took)
        self._keep(self)


def at_size(found: Found, treatments: int, work: Path, rounds: int, loads_only: bool, years: bool) -> None:
    """All rows of the table that are asked of so many treatments."""
    print(f"{treatments:,} treatments", flush=True)
    folder = work / f"exports-{treatments}"
    found["exports"] = run("-m", "tests.benchmarks.exports", folder, "--treatments", treatments)
    before, month = folder / "before", folder / "month"
    store, bare = work / "practice.duckdb", work / "bare.duckdb"
    loads: dict[str, list[Took]] = {"bare": [], "canalwise": []}
    for number in range(rounds):
        clear(bare)
        loads["bare"].append(load("bare", before, bare))
        clear(store)
        loads["canalwise"].append(load("canalwise", before, store))
        if not number:
            found["store"] = {"bytes": store.stat().st_size}
    clear(bare)
    found["bare"] = middle(loads["bare"])
    found["first load"] = middle(loads["canalwise"])
    found["again"] = run("-m", "pipeline.cli", "ingest", before, "--store", store)
    if loads_only:
        return
    found["facts"] = task("facts", store)
    found["measures"] = task("measures", store)
    found["figures"] = task("figures", store)
    found["pandas"] = task("pandas", before)
    settings = before / "canalwise.toml"
    ask = ["report", "all", "--month", "2026-05", "--dentist", "D1", "--store", store, "--settings", settings]
    found["reports"] = run("-m", "pipeline.cli", *ask, "--out", work / "pages")
    found["month"] = load("canalwise", month, store)
    found["month's facts"] = task("facts", store)
    clear(store)
    memory = max(60, int(SMALL_MEMORY * found["exports"]["bytes_before"] / 1e6))
    small = run("-m", "pipeline.cli", "ingest", before, "--store", store, "--memory", f"{memory} MB")
    left = [path.name for path in store.parent.glob(f"{store.name}*") if path.is_dir()]
    found["little memory"] = small | {"memory_mb": memory, "left": left}
    clear(store)
    shutil.rmtree(folder)
    if years:
        more = ["--treatments", treatments, "--earlier", treatments]
        found["exports of six years"] = run("-m", "tests.benchmarks.exports", folder, *more)
        load("canalwise", before, store)
        found["month after six years"] = load("canalwise", month, store)
        clear(store)
        shutil.rmtree(folder)


def of_the_demo(work: Path, rounds: int) -> dict[str, Took]:
    home = work / "demo"
    run("-m", "pipeline.cli", "demo", "--out", home)
    store, settings = next(home.rglob("*.duckdb")), next(home.rglob("canalwise.toml"))
    asked: dict[str, list[object]] = {
        "month's review": ["report", "monthly"],
        "three reports": ["report", "all", "--dentist", "D1"],
        "status": ["status"],
        "measure": ["measure", "healed_share", "--by", "sequence"],
        "--help": ["--help"],
    }
    found: dict[str, Took] = {}
    for name, arguments in asked.items():
        times, again = [], []
        for number in range(rounds):
            out = work / f"{name}-{number}"
            command = ["-m", "pipeline.cli", *arguments]
            if name != "--help":
                command += ["--store", store]
            if name not in ("--help", "status"):
                command += ["--settings", settings]
            if arguments[0] == "report":
                for kept in store.parent.glob(f"{store.name}.*"):
                    kept.unlink()  # pictures, of an earlier rendering
                command += ["--out", out]
            times.append(run(*command))
            if arguments[0] == "report":
                again.append(run(*command))
        found[name] = say(name, middle(times))
        if again:
            found[f"{name} again"] = say(f"{name} again", middle(again))
    return found


def exponent(sizes: dict[int, float]) -> float:
    """Of the growth between the least and the largest size: 1 where twice the treatments take twice as long."""
    (few, short), (many, long) = min(sizes.items()), max(sizes.items())
    return math.log(long / short) / math.log(many / few)


class WrongError(KeyError):
    """A row that came to nothing, and why."""


class Rows(dict[str, Took]):
    def __getitem__(self, row: str) -> Took:
        took = super().__getitem__(row)
        if "wrong" in took:
            raise WrongError(took["wrong"])
        return took


def table(measured: dict[str, Any]) -> str:
    """The generated part of RESULTS.md."""
    sizes = {int(size): Rows(rows) for size, rows in measured["sizes"].items()}
    lines = ["| work | target | " + " | ".join(f"{size:,}" for size in sorted(sizes)) + " |"]
    lines.append("| --- | --- |" + " --- |" * len(sizes))

    def line(work: str, target: str, cell: Any) -> None:
        cells = []
        for size in sorted(sizes):
            try:
                cells.append(cell(sizes[size], size))
            except KeyError as e:
                cells.append(str(e.args[0]) if isinstance(e, WrongError) else "-")
        lines.append(f"| {work} | {target} | " + " | ".join(cells) + " |")

    def cpu(rows: dict[str, Took], row: str) -> float:
        return float(rows[row]["cpu"])

    def peak(rows: dict[str, Took], row: str) -> str:
        return f"{rows[row]['peak_mb'] / 1000:.1f} GB"

    def against(rows: dict[str, Took], row: str) -> str:
        return f"{cpu(rows, row) / cpu(rows, 'bare'):.1f} x ({cpu(rows, row):.1f} CPU s), {peak(rows, row)}"

    def slowest(rows: dict[str, Took], _: int) -> str:
        each = sorted(rows["measures"]["each"].items(), key=lambda item: -item[1]["cpu"])
        late = [(name, took) for name, took in each if took["cpu"] > 0.5]
        told = ", ".join(
            f"{name} {took['cpu']:.1f}{' (given up)' if took['by'] == 'given up' else ''}" for name, took in late[:5]
        )
        return f"{len(each) - len(late)} of {len(each)} under 0.5 CPU s, {peak(rows, 'measures')}" + (
            f"; slowest {told}" if told else ""
        )

    def by_hand(rows: dict[str, Took], _: int) -> str:
        five = rows["figures"]
        return f"{five['cpu'] / five['by_hand']:.1f} x ({five['cpu']:.2f} for {five['by_hand']:.2f} CPU s)"

    def pandas(rows: dict[str, Took], _: int) -> str:
        script, five = rows["pandas"], rows["figures"]
        share = five["peak_mb"] / script["peak_mb"]
        faster = script["cpu"] / five["cpu"]
        return f"{faster:.0f} x faster ({script['cpu']:.1f} CPU s), {share:.2f} of its {peak(rows, 'pandas')}"

    def share(rows: dict[str, Took], _: int) -> str:
        whole = rows["exports"]["bytes_before"]
        return f"{rows['store']['bytes'] / whole:.2f} x, with facts {rows['facts']['bytes'] / whole:.2f} x"

    def growth(row: str) -> Any:
        def cell(rows: dict[str, Took], size: int) -> str:
            upto = {s: cpu(sizes[s], row) for s in sizes if s <= size and row in sizes[s]}
            return f"{exponent(upto):.2f}" if len(upto) > 1 else "-"

        return cell

    def month(rows: dict[str, Took], _: int) -> str:
        new = rows["exports"]["rows_month"]
        facts = cpu(rows, "month's facts")
        return (
            f"{cpu(rows, 'month') + facts:.1f} CPU s ({cpu(rows, 'month'):.1f} and {facts:.1f}), "
            f"{new:,} rows, {peak(rows, 'month')}"
        )

    def reports(rows: dict[str, Took], _: int) -> str:
        took = rows["reports"]
        return f"{took['seconds']:.1f} s, {took['cpu']:.1f} CPU s, {peak(rows, 'reports')}"

    def years(rows: dict[str, Took], _: int) -> str:
        three = cpu(rows, "month after six years") - cpu(rows, "month")
        return f"{three / 3:+.2f} CPU s a year, of {cpu(rows, 'month'):.1f}"

    def memory(rows: dict[str, Took], _: int) -> str:
        little = rows["little memory"]
        left = f", left {', '.join(little['left'])}" if little["left"] else ", nothing left"
        return (
            f"{rows['exports']['bytes_before'] / 1e6:,.0f} MB of files with --memory {little['memory_mb']} MB: loads, "
            f"{little['cpu']:.1f} CPU s, {peak(rows, 'little memory')}{left}"
        )

    line("treatments, rows", "", lambda r, _: f"{r['exports']['treatments_before']:,}, {r['exports']['rows_before']:,}")
    line("bare typed load", "", lambda r, _: f"{cpu(r, 'bare'):.1f} CPU s, {peak(r, 'bare')}")
    line("first load, all rules", "3 x bare, 2 GB", lambda r, _: against(r, "first load"))
    line("all facts made once", "4 x bare, 3 GB", lambda r, _: against(r, "facts"))
    line("the store against its CSV", "1.2 x", share)
    line("any measure by sequence and tooth type", "0.5 s, 1 GB", slowest)
    line("five of them against hand-written SQL", "1.5 x", by_hand)
    line("reports of a month (monthly, incidents, one dentist)", "15 s, 2 GB", reports)
    line("one month more, with rules and facts", "10 s", month)
    line("the same files again", "2 s", lambda r, _: f"{r['again']['seconds']:.1f} s, {cpu(r, 'again'):.1f} CPU s")
    line("growth of first load, exponent", "1.05", growth("first load"))
    line("growth of facts, exponent", "1.05", growth("facts"))
    line("five figures against a pandas script", "10 x faster, a third of its memory", pandas)
    line("files larger than `--memory`", "loads, nothing left", memory)
    line("a month after a year more of records", "+0", years)
    demo = measured.get("demo", {})
    if demo:
        targets = {"month's review": 1.5, "three reports": 4.0, "month's review again": 1.5, "three reports again": 1.5,
                   "--help": 0.15, "status": 0.3, "measure": 0.6}  # fmt: skip
        lines += ["", "| the invented practice | target, s | s | CPU s | peak |", "| --- | --- | --- | --- | --- |"]
        for name, target in targets.items():
            took = demo[name]
            lines.append(
                f"| {name} | {target} | {took['seconds']:.2f} | {took['cpu']:.2f} | {took['peak_mb']:.0f} MB |"
            )
    return "\n".join(lines)


def write(measured: dict[str, Any]) -> None:
    kept = RESULTS.read_text(encoding="utf-8").partition(BY_HAND)[2] if RESULTS.exists() else "\n"
    when = "; ".join(f"{size} on {said}" for size, said in measured["when"].items())
    head = f"""# What it takes

Written by `python -m tests.benchmarks.results` (which says how), from measured.json. Exports are copies of the invented
practice (exports.py). {measured["machine"]}. Measured: {when}.

{table(measured)}

"""
    RESULTS.write_text(head + BY_HAND + kept, encoding="utf-8")


def machine() -> str:
    info = Path("/proc/cpuinfo")
    names = [li.partition(":")[2].strip() for li in info.read_text().splitlines() if li.startswith("model name")]
    name = names[0] if info.exists() and names else platform.machine()
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    python = platform.python_version()
    return f"{platform.system()}, {os.cpu_count()} processors ({name}), {memory:.0f} GB, Python {python}"


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure, and write RESULTS.md.")
    parser.add_argument("--treatments", type=int, nargs="*", default=[])
    parser.add_argument("--demo", action="store_true")
    parser.add_argument("--loads-only", action="store_true", help="only the loads; other rows stay as they were")
    parser.add_argument("--years", action="store_true", help="also the month after three years more, at these sizes")
    parser.add_argument("--rounds", type=int, default=3, help="of first loads and of the demo; the median counts")
    parser.add_argument("--work", type=Path, help="a folder on a disk with room; a temporary one else")
    given = parser.parse_args()
    measured: dict[str, Any] = json.loads(MEASURED.read_text()) if MEASURED.exists() else {"sizes": {}, "when": {}}

    def keep(size: str, rows: dict[str, Took]) -> None:
        measured["sizes"][size] = dict(rows)
        MEASURED.write_text(json.dumps(measured, indent=1, sort_keys=True) + "\n")

    for size in [*given.treatments, *(["demo"] if given.demo else [])]:
        with tempfile.TemporaryDirectory(dir=given.work) as work:
            load_before = os.getloadavg()[0]
            if size == "demo":
                measured["demo"] = of_the_demo(Path(work), given.rounds)
            else:
                found = Found(measured["sizes"].get(str(size), {}), lambda rows, size=size: keep(str(size), rows))
                at_size(found, size, Path(work), given.rounds, given.loads_only, given.years)
        name = size if size == "demo" else f"{size:,}"
        busy = statistics.mean([load_before, os.getloadavg()[0]])
        measured["when"][name] = f"{dt.date.today()} (the machine's load was {busy:.1f})"
        measured["machine"] = machine()
        MEASURED.write_text(json.dumps(measured, indent=1, sort_keys=True) + "\n")
    write(measured)


if __name__ == "__main__":
    main()
