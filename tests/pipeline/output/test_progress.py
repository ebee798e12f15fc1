"""Long work shows a bar on a terminal, lines elsewhere, and nothing when quiet."""

from __future__ import annotations

import io
import re
import sys

import pytest

from pipeline.output.progress import progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def work(monkeypatch: pytest.MonkeyPatch, to: io.StringIO, *, quiet: bool = False) -> str:
    monkeypatch.setattr(sys, "stderr", to)
    with progress(quiet=quiet) as bar:
        bar.line("Importing visits.csv: visits ...")
        bar.part(1, 4)
        bar.count("4,362 rows")
        bar.line("visits.csv: [bold]\x1b[31m is kept as a pseudonym.")
        bar.part(4, 4)
    return to.getvalue()


def test_lines_where_there_is_no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    said = work(monkeypatch, io.StringIO())
    assert said == "Importing visits.csv: visits ...\nvisits.csv: [bold]␛[31m is kept as a pseudonym.\n"


@pytest.mark.parametrize("colour", [True, False])
def test_a_bar_on_a_terminal_with_what_is_done_and_the_time_left(monkeypatch: pytest.MonkeyPatch, colour: bool) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("NO_COLOR", raising=False)
    if not colour:
        monkeypatch.setenv("NO_COLOR", "1")
    said = work(monkeypatch, Terminal())
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", said)
    assert "Importing visits.csv: visits" in plain
    assert "4,362 rows" in plain
    assert re.search(r"(--:--|\d+:\d\d) left", plain)
    assert "visits.csv: [bold]␛[31m is kept as a pseudonym." in plain, "above the bar, and no markup"
    assert bool(re.search(r"\x1b\[[0-9;]*3[0-9;]*m", said)) == colour


def test_lines_on_a_terminal_that_cannot_go_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "dumb")
    assert "\x1b" not in work(monkeypatch, Terminal())


def test_nothing_when_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    assert work(monkeypatch, Terminal(), quiet=True) == ""
