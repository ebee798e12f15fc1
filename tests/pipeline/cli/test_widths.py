"""Every command in a terminal of 60, 80 and 120 columns: no line is wider, and no word or number is broken."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from pipeline import cli
from pipeline.cli import recall, trace, words
from pipeline.importing.ingest import Imported, ingest
from pipeline.measures import shown
from pipeline.questions import stock
from pipeline.store.batches import Counts
from pipeline.store.database import open_store

Run = Callable[..., Any]
WIDTHS = (60, 80, 120)
STORE, SETTINGS, SMALL, NEW = "STORE", "SETTINGS", "SMALL", "NEW"
STORED = ("--store", STORE)
BOTH = (*STORED, "--settings", SETTINGS)
ASKED: list[tuple[str, ...]] = [
    ("demo", "--out", NEW),
    ("init", "--out", NEW),
    ("mapping", f"{SMALL}/visits.csv"),
    ("ingest", f"{SMALL}/visits.csv", *BOTH),
    ("ingest", "BAD", *BOTH),
    ("quarantine", *STORED),
    ("quarantine", "retry", *STORED),
    ("check", *STORED),
    ("columns",),
    ("guide",),
    ("guide", "commands"),
    ("guide", "privacy"),
    ("guide", "validation"),
    ("columns", "treatments"),
    ("columns", "visits", "canals"),
    ("measures",),
    ("explain", "healed_share", *BOTH),
    ("explain", "sequence_comparison"),
    ("measure", "healed_share", "--by", "sequence", *BOTH),
    ("measure", "chair_minutes_per_canal", "--by", "sequence,tooth_type", *BOTH),
    ("measure", "separations_per_1000_uses", "--by", "sequence", *BOTH),
    ("measure", "separation_comparison", *BOTH),
    ("measure", "recall_bias", *BOTH),
    ("measure", "visits_per_tooth", "--process", *BOTH),
    ("measure", "incident_list", *BOTH),
    ("measure", "adherence", *BOTH),
    ("stock", *BOTH),
    ("recall", *BOTH),
    ("trace", "--lot", "LOT", *BOTH),
    ("report", "--out", NEW, *BOTH),
    ("status", *STORED),
    ("status", "--history", "visits", *STORED),
]
PROMPTS = {"Not", "shown", "--wide", "shows", "all", "All", "0"}
# What is no cell and no sentence: lines to be typed or opened, which are as long as they are.
AS_IT_IS = re.compile(r"[/\\]\S*$|^Open \S+ in a browser|^\[|^\w+ = |^\s*$")


def test_every_command_is_asked() -> None:
    assert {asked[0] for asked in ASKED} == set(typer.main.get_command(cli.app).commands)  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory, _filled: Path) -> tuple[Path, Path, str]:
    """A store of the small set and of refused rows; the file of these; and a lot."""
    folder = tmp_path_factory.mktemp("widths")
    bad = folder / "visits of a very long name of an export from the front desk.csv"
    rows = "".join(f"V-{i},T1,D1,2024-03-04 09:00,soon,a chair of which the name is long\n" for i in range(3))
    bad.write_text(f"visit_id,treatment_id,dentist,seated_at,left_at,reason\n{rows}")
    store = folder / "canalwise.duckdb"
    for suffix in (".duckdb", ".key"):
        shutil.copy(_filled.with_suffix(suffix), store.with_suffix(suffix))
    list(ingest(store, [bad]))
    with open_store(store) as connection:
        found = connection.execute("select lot from instruments group by lot order by count(*) desc, lot").fetchone()
    assert found is not None
    return store, bad, found[0]


@pytest.fixture
def asked(
    prepared: tuple[Path, Path, str], small: Path, canalwise: Run, store: Path, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Callable[..., tuple[str, str]]:  # fmt: skip
    """asked(columns, argument, ...) -> what the command writes to a terminal of so many columns: stdout, stderr."""
    kept, bad, lot = prepared
    for suffix in (".duckdb", ".key"):
        shutil.copy(kept.with_suffix(suffix), store.with_suffix(suffix))
    real = {"STORE": store, "SETTINGS": small / "canalwise.toml", "SMALL": small, "LOT": lot, "BAD": bad}
    monkeypatch.setattr("demo_data.generate.generate", lambda folder: (folder / "chairside").mkdir(parents=True))
    monkeypatch.setattr("reports.render.render", lambda *_, out=None, **__: [Path("out") / "index.html"])
    count = iter(range(1000))

    def ask(columns: int, *arguments: str) -> tuple[str, str]:
        monkeypatch.setattr("pipeline.output.terminal.width", lambda err=False: columns)
        names = real | {"NEW": tmp_path / f"new{next(count)}"}
        pattern = re.compile("|".join(names))
        with pytest.MonkeyPatch.context() as patched:
            if arguments[0] == "demo":
                patched.setattr("pipeline.importing.ingest.ingest", _imported)
                patched.setattr("pipeline.settings.load_settings", lambda _: None)
                patched.setattr("pipeline.cli.demo.reading", lambda _: open("/dev/null"))  # noqa: PTH123, SIM115
            ran = canalwise(*(pattern.sub(lambda m: str(names[m.group()]), a) for a in arguments))
        assert ran.code in (0, 1), ran
        return ran.out, ran.err

    return ask


def _imported(*_: object, **__: object) -> Iterator[Imported]:
    yield Imported("instrument_uses.csv", "instrument_uses", Counts(24_527, 24_505, 22, 0, 0, 102), False)


def _words(text: str) -> set[str]:
    return {word.strip(".,:;()") for word in text.split()} - {""}


SHORT = [words.IMPORTED["short"], recall._SHORT, trace._SHORT, stock.SHORT, shown._SHORT, {"": "rules found"}]
HEADS = {word for heads in SHORT for head in heads.values() for word in head.split()} | PROMPTS


@pytest.mark.parametrize("arguments", ASKED, ids=" ".join)
def test_no_line_is_wider_and_nothing_is_broken(
    asked: Callable[..., tuple[str, str]], arguments: tuple[str, ...]
) -> None:
    whole = _words(" ".join(asked(10_000, *arguments)))
    known = whole | HEADS | {part for word in whole for part in word.split("_")}
    for columns in WIDTHS:
        out, err = asked(columns, *arguments)
        if NEW not in arguments and "ingest" not in arguments and "retry" not in arguments:  # these say something new
            assert {word for word in _words(out) - known if set(word) != {"─"}} == set()
        for line in (out + err).splitlines():
            if not AS_IT_IS.search(line):
                assert len(line.rstrip()) <= columns or len(line.split()) == 1, line
