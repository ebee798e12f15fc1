"""Piped output, and what goes to stderr."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer

from pipeline import cli

Run = Callable[..., Any]
ESCAPE = "\x1b"


def test_piped_output_holds_no_escape_codes(filled: Path, tmp_path: Path, fresh: Run) -> None:
    for arguments in (["--help"], ["status", "--store", filled], ["measures"], ["nonsense"]):
        for environment in ({}, {"NO_COLOR": "1"}, {"TERM": "xterm-256color"}):
            done = fresh(*arguments, **environment)
            assert done.stdout + done.stderr
            assert ESCAPE not in done.stdout + done.stderr


def test_a_long_table_is_not_cut_in_a_pipe(refused: Path, fresh: Run) -> None:
    done = fresh("quarantine", "--store", refused, COLUMNS="40")
    assert "left_at: soon is not a date and time written as %Y-%m-%d %H:%M:%S." in done.stdout


def test_a_reader_that_goes_away_gets_no_traceback(filled: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "status", "--store", str(filled)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == ""


def test_the_store_may_be_named_in_the_environment(filled: Path, fresh: Run) -> None:
    done = fresh("status", "--json", CANALWISE_STORE=str(filled))
    assert done.returncode == 0
    assert json.loads(done.stdout)["kinds"]["visits"]["records"] == 102


def test_an_answer_that_names_nobody_is_told_where_it_would_be_used(
    filled: Path, canalwise: Run, tmp_path: Path
) -> None:
    settings = tmp_path / "own.toml"
    settings.write_text(
        '[[answer]]\nmeasure = "healed_share"\ngroup = "dentist"\nvalue = "Nobody"\non = 2024-01-01\nnote = "x"\n'
    )
    asked = ("measure", "healed_share", "--process", "--by", "dentist", "--store", filled, "--settings", settings)
    for more in ((), ("--json",)):
        ran = canalwise(*asked, *more)
        assert ran.code == 0
        assert "names dentist “Nobody”, which no record has" in ran.err
        assert "D1" in ran.err
    ran = canalwise("report", "incidents", "--store", filled, "--settings", settings, "--out", tmp_path / "pages")
    assert "names dentist “Nobody”, which no record has" in ran.err


def test_adherence_says_what_to_write_where_the_catalogue_is_empty(
    filled: Path, canalwise: Run, tmp_path: Path
) -> None:
    settings = tmp_path / "none.toml"
    settings.write_text('practice = "Ostrobrück"\n', encoding="utf-8")
    ran = canalwise("measure", "adherence", "--store", filled, "--settings", settings)
    assert "Nothing to show" not in ran.out
    assert "[[sequence]]" in ran.out
    assert "left out: " in ran.out


EVIL = f"{ESCAPE}[2J{ESCAPE}]0;title\x07\x9b31m\u202e"


def test_no_record_name_or_argument_speaks_to_the_terminal(
    store: Path, canalwise: Run, export: Run, sound: Run, tmp_path: Path
) -> None:
    visits = [
        sound("visits", visit_id=f"V{i}", dentist=f"D{EVIL}", chair=EVIL, reason=EVIL, booked_minutes=EVIL)
        for i in range(8)
    ]
    bad = export(f"visits{ESCAPE}.csv", [*visits, sound("visits", visit_id=EVIL, left_at=EVIL)])
    uses = [sound("instrument_uses", instrument_id=f"I{EVIL}", lot=f"L{EVIL}")]
    export(f"uses{ESCAPE}.csv", uses)
    export("treatments.csv", [sound("treatments", dentist=f"D{EVIL}")])
    to = ("--store", store)
    for asked in (
        ("ingest", bad.parent, *to),
        ("ingest", tmp_path / f"none{EVIL}.csv", *to),
        ("mapping", bad),
        ("quarantine", *to),
        ("quarantine", "--json", *to),
        ("quarantine", "--file", EVIL, *to),
        ("quarantine", "retry", *to),
        ("status", *to),
        ("check", *to),
        ("measure", "chair_minutes_per_visit", "--by", "dentist", *to),
        ("measure", "chair_minutes_per_visit", "--where", f"dentist={EVIL}", *to),
        ("measure", EVIL, *to),
        ("recall", "--on", "2030-01-01", *to),
        ("trace", "--instrument", f"I{EVIL}", *to),
        ("trace", "--lot", EVIL, *to),
        ("report", "--month", EVIL, *to),
        (EVIL,),
    ):
        ran = canalwise(*asked)
        assert ran.code in (0, 1, 2), ran
        assert not set(ran.out + ran.err) & {*EVIL[:1], "\x07", "\x9b", "\u202e"}, asked[0]


@pytest.mark.parametrize("command", sorted(typer.main.get_command(cli.app).commands))  # type: ignore[attr-defined]
def test_every_command_has_the_shared_options(command: str) -> None:
    found = typer.main.get_command(cli.app).commands[command]  # type: ignore[attr-defined]
    options = {name for parameter in found.params for name in parameter.opts}
    assert {"--json", "--quiet", "-q"} <= options
    assert ("--wide" in options) == (command not in ("explain", "init", "mapping", "report"))


def test_quiet_is_no_talk(filled: Path, small: Path, canalwise: Run, tmp_path: Path) -> None:
    out = tmp_path / "figures.csv"
    ran = canalwise("measure", "visits_per_tooth", "--out", out, "--known-on", "2030-01-01", "--store", filled, "-q")
    assert (ran.out, ran.err, out.exists()) == ("", "", True)
    assert canalwise("init", "--json").json == {"settings": "canalwise.toml"}
