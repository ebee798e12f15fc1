"""`canalwise check`"""

from __future__ import annotations

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import writing
from pipeline.cli.options import STORE, StoreOption
from pipeline.output.terminal import say


@command(tables=True)
def check(output: Output, store: StoreOption = STORE) -> None:
    """Run every suite and every rule across kinds on the store; print and store the result."""
    from pipeline.checks.store import check as run
    from pipeline.importing.quarantine import retry_dated
    from pipeline.store.batches import today
    from pipeline.store.identity import key_of

    with writing(store) as connection, output.progress() as bar:
        retry_dated(connection, key_of(connection, store), bar.line)
        outcome = run(connection, today(connection), bar.line, bar.part)
    if output.json:
        output.data(outcome.as_json())
    else:
        output.table(outcome.as_json()["suites"], short={"expectations": "rules", "unexpected": "found"})
        if outcome.findings:
            say()
            output.table(outcome.findings, spare=("kind",))
    if not outcome.success:
        raise typer.Exit(1)
