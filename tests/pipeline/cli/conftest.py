"""What tests of the command line share."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]


@pytest.fixture
def fresh() -> Callable[..., subprocess.CompletedProcess[str]]:
    """fresh(argument, ..., VARIABLE=value) -> the command line in an interpreter of its own, its output piped."""
    return _fresh


@pytest.fixture
def assert_one_line() -> Callable[[Any, str], None]:
    """assert_one_line(ran, says) -> it said so in one line on stderr, nothing on stdout, and left with status 2."""
    return _assert_one_line


def _fresh(*arguments: object, **environment: str) -> subprocess.CompletedProcess[str]:
    wanted = {k: v for k, v in os.environ.items() if not k.startswith(("COV_", "CANALWISE", "COLUMNS"))} | environment
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *map(str, arguments)],
        capture_output=True, text=True, env=wanted, timeout=120, check=False,
    )  # fmt: skip


def _assert_one_line(ran: Any, says: str) -> None:
    assert ran.code == 2, ran
    assert ran.out == ""
    assert ran.err.count("\n") == 1
    assert ran.err.startswith("canalwise: ")
    assert says in ran.err


@pytest.fixture
def refused(store: Path, canalwise: Run, export: Run, sound: Run) -> Path:
    """A store with three refused rows, one of them with what a spreadsheet would run."""
    visits = [sound("visits", visit_id="=cmd|' /C calc'!A0", left_at="soon", booked_minutes="-60", chair="@A")]
    visits += [sound("visits", visit_id="V2", reason="none of these")]
    canals = [sound("canals", working_length_mm="205", filling_extent_mm="-0,5")]
    canalwise("ingest", export("visits.csv", visits), export("canals.csv", canals), "--store", store)
    return store
