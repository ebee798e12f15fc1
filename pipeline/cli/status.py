"""`canalwise status`"""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import reading
from pipeline.cli.options import STORE, StoreOption
from pipeline.cli.words import IMPORTED
from pipeline.output.terminal import paragraph, say


@command(tables=True)
def status(
    output: Output,
    history: Annotated[
        str | None, typer.Option("--history", metavar="KIND", help="List the superseded records of a kind instead.")
    ] = None,
    store: StoreOption = STORE,
) -> None:
    """What is in the store: records and dates of each kind, and every import."""
    from pipeline.store import status as books

    with reading(store) as connection:
        if history is not None:
            replaced = books.superseded(connection, history)
            if output.json:
                output.data({"superseded": replaced})
            else:
                output.table(replaced, empty=f"No record of {history} was superseded.")
            return
        found = books.status(connection)
    if output.json:
        output.data(found)
        return
    kinds = found["kinds"]
    output.table(
        [{"kind": kind, **row} for kind, row in kinds.items()], drop=("completeness",), short=IMPORTED["short"]
    )
    say()
    paragraph("Optional columns, share of records in which each is filled:")
    for kind, row in kinds.items():
        if row["records"]:
            filled = ", ".join(f"{column}\u00a0{share:.0%}" for column, share in row["completeness"].items())
            paragraph(f"{kind}: {filled}", hang=2)
    say()
    output.table([batch | {"loaded_at": batch["loaded_at"].date()} for batch in found["batches"]], **IMPORTED)
