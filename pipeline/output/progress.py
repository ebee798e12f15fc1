"""What long work says on stderr while it runs: a bar with the time left on a terminal, lines elsewhere.

Work tells `line` in a few words what it does, and `part` how much of all is done. A line that is no sentence, or ends
in ..., says what is being done now: on a terminal it stands beside the bar, and sentences above it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from pipeline.output import terminal
from pipeline.output.escape import escape_terminal

if TYPE_CHECKING:
    from rich.progress import Progress

_DUMB = ("dumb", "unknown")  # terminals that cannot go back on a line
_LABEL = 0.4  # of the terminal's width is for what is being done


class Lines:
    """Progress as lines; nothing is said when quiet."""

    def __init__(self, quiet: bool = False) -> None:
        self.quiet = quiet

    def line(self, text: str) -> None:
        if not self.quiet:
            terminal.talk(text)

    def part(self, done: float, whole: float) -> None:
        """So much of the whole is done; of no interest to those who read lines."""

    def count(self, text: str) -> None:
        """How much that is in words: 3 files, 12,000 rows."""


class Bar(Lines):
    """Progress as a bar of Rich's on stderr."""

    def __init__(self, bar: Progress) -> None:
        super().__init__()
        self._bar = bar
        self._task = bar.add_task("", total=None, count="")

    def line(self, text: str) -> None:
        if text.endswith("...") or not text.endswith("."):
            self._bar.update(self._task, description=_label(text))
        else:
            # Not through Rich, which would take [words] for its own.
            self._bar.console.print("\n".join(terminal.lines(text, terminal.width(err=True))), markup=False)

    def part(self, done: float, whole: float) -> None:
        self._bar.update(self._task, completed=done, total=whole)

    def count(self, text: str) -> None:
        self._bar.update(self._task, count=text)


def _label(text: str) -> str:
    label = escape_terminal(text.removesuffix("...").strip(), lines=False)
    room = int(_LABEL * terminal.width(err=True))
    return label if len(label) <= room else f"{label[: room - 1]}\u2026"


@contextmanager
def progress(*, quiet: bool = False) -> Iterator[Lines]:
    """A bar while the context lasts where stderr is a terminal that can show one, else lines."""
    if quiet or not sys.stderr.isatty() or os.environ.get("TERM", "") in _DUMB:
        yield Lines(quiet)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, Task, TextColumn, TimeRemainingColumn
    from rich.text import Text

    class Left(TimeRemainingColumn):
        def render(self, task: Task) -> Text:
            left = super().render(task)
            return left.append(" left") if left else left

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=None),
        TextColumn("{task.fields[count]}", markup=False),
        Left(compact=True),
    )
    console = Console(stderr=True, highlight=False)  # it heeds NO_COLOR
    with Progress(*columns, console=console, transient=True, expand=True) as bar:
        yield Bar(bar)
