"""What every command has: `--json`, `--quiet`, where it prints tables `--wide`, and one way to print.

A command is a function of an `Output` and its own options. `command` gives it the shared ones.
"""

from __future__ import annotations

import datetime as dt
import inspect
import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import wraps
from typing import Annotated, Any

import typer

from pipeline.output import terminal
from pipeline.output.escape import escape_json
from pipeline.output.progress import Lines, progress

SHARED = {
    "json": Annotated[bool, typer.Option("--json", help="Machine-readable output on stdout.")],
    "quiet": Annotated[bool, typer.Option("--quiet", "-q", help="No talk on stderr.")],
    "wide": Annotated[bool, typer.Option("--wide", help="Tables with all columns, however wide the terminal is.")],
}


@dataclass(frozen=True)
class Output:
    """How the user wants to be answered, and the way to do it."""

    json: bool = False
    quiet: bool = False
    wide: bool = False

    def talk(self, text: str) -> None:
        """On stderr: what is being done, what to do next."""
        if not self.quiet:
            terminal.talk(text)

    def progress(self) -> AbstractContextManager[Lines]:
        """For long work: a bar on a terminal, lines elsewhere."""
        return progress(quiet=self.quiet)

    def table(self, rows: Any, **how: Any) -> None:
        terminal.table(rows, wide=self.wide, **how)

    def data(self, data: Any) -> None:
        """The machine-readable answer."""
        print(escape_json(json.dumps(data, default=_jsonable, ensure_ascii=False, allow_nan=False)))


def _jsonable(value: Any) -> str:
    if isinstance(value, dt.date | dt.datetime):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no JSON form")


def command(*, tables: bool = False) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Make a command of a function whose first parameter is the Output; the options of it come after its own."""

    def made(function: Callable[..., None]) -> Callable[..., None]:
        first, *own = inspect.signature(function, eval_str=True).parameters.values()
        shared = [name for name in SHARED if name != "wide" or tables]
        options = [
            inspect.Parameter(f"{name}_", inspect.Parameter.KEYWORD_ONLY, default=False, annotation=SHARED[name])
            for name in shared
        ]

        @wraps(function)
        def called(**given: Any) -> None:
            function(Output(**{name: given.pop(f"{name}_") for name in shared}), **given)

        assert first.annotation is Output, function
        parameters = [p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in own] + options
        called.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        called.__annotations__ = {p.name: p.annotation for p in parameters}
        # The terminal breaks the lines of --help, not we.
        called.__doc__ = "\n\n".join(" ".join(part.split()) for part in (function.__doc__ or "").split("\n\n"))
        del called.__wrapped__  # its signature is the function's
        return called

    return made
