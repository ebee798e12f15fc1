"""Every command explains itself, at once."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer

from pipeline import cli

Run = Callable[..., Any]
COMMANDS = sorted(typer.main.get_command(cli.app).commands)  # type: ignore[attr-defined]
HEAVY = {"pandas", "great_expectations", "altair", "statsmodels", "scipy", "polars", "duckdb", "vl_convert", "numpy"}


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(canalwise: Run, command: str) -> None:
    ran = canalwise(command, "--help")
    assert (ran.code, ran.err) == (0, "")
    assert f"canalwise {command}" in ran.out


def test_help_and_version(canalwise: Run) -> None:
    ran = canalwise("--help")
    assert ran.code == 0
    assert all(command in ran.out for command in COMMANDS)
    assert canalwise("-h").out == ran.out
    assert re.fullmatch(r"canalwise \d+\.\d+\.\d+\n", canalwise("--version").out)
    nothing = canalwise()
    assert nothing.code == 2
    assert "Commands" in nothing.out


def test_help_and_mistakes_answer_without_loading_what_is_slow(tmp_path: Path) -> None:
    ask = (
        "import sys\nfrom pipeline import cli\nsys.argv = ['canalwise', *sys.argv[1:]]\n"
        "try:\n    cli.main()\nexcept SystemExit: pass\n"
        "print('LOADED', *sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    for arguments in (
        ["--help"],
        ["ingest", "--help"],
        ["measure"],
        ["nonsense"],
        ["init", "--out", str(tmp_path / "c.toml")],
    ):
        done = subprocess.run([sys.executable, "-c", ask, *arguments], capture_output=True, text=True, check=True)
        loaded = set(done.stdout.rpartition("LOADED")[2].split())
        assert "typer" in loaded
        assert loaded & HEAVY == set(), arguments
