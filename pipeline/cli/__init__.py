"""The command line: one file a command, each of which parses, calls and prints. No logic.

Whatever is slow to import is imported inside the command that needs it, so that `--help` and a typing mistake answer at
once. Results go to stdout, talk to stderr. Exit status: 0 done; 1 done, but findings need attention; 2 bad usage or
unreadable input; 3 a fault of the program.
"""

from __future__ import annotations

import atexit
import gc
from typing import Annotated

import typer

from pipeline.cli import (
    check,
    columns,
    demo,
    errors,
    explain,
    guide,
    ingest,
    init,
    mapping,
    measure,
    measures,
    quarantine,
    recall,
    report,
    retry,
    status,
    stock,
    trace,
)
from pipeline.output.terminal import say

_HELP = {"help_option_names": ["-h", "--help"]}

app = typer.Typer(
    name="canalwise",
    help="Chair time, instrument consumption, separations and healing by root canal sequence, from a practice's own "
    "exports. For quality review, not for treatment decisions.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    context_settings=_HELP,
)


def main() -> None:
    """Run the command line: whatever goes wrong is one line on stderr. Exit status 2, or 3 for a fault of our own."""
    # Libraries make objects by the hundred thousand as they load, none of them garbage: looking through them again and
    # again for some took a sixth of the time, and once more at the end a third of a second.
    gc.set_threshold(100_000)
    atexit.register(gc.freeze)
    errors.run(app)


def _version(value: bool) -> None:
    if value:
        from importlib.metadata import version

        say(f"canalwise {version('canalwise')}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    pass


_of_quarantine = typer.Typer(invoke_without_command=True, context_settings=_HELP)
_of_quarantine.callback()(quarantine.quarantine)
_of_quarantine.command("retry")(retry.retry)

# In the order in which `--help` lists them.
app.command("demo")(demo.demo)
app.command("init")(init.init)
app.command("mapping")(mapping.mapping)
app.command("columns")(columns.columns)
app.command("ingest")(ingest.ingest)
app.add_typer(_of_quarantine, name="quarantine")
app.command("check")(check.check)
app.command("measures")(measures.measures)
app.command("explain")(explain.explain)
app.command("measure")(measure.measure)
app.command("stock")(stock.stock)
app.command("recall")(recall.recall)
app.command("trace")(trace.trace)
app.command("report")(report.report)
app.command("status")(status.status)
app.command("guide")(guide.guide)
