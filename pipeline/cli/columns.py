"""`canalwise columns`: which columns the records have, what they mean, and which words they take."""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.errors import UserError
from pipeline.output.terminal import paragraph


@command(tables=True)
def columns(
    output: Output,
    kind: Annotated[str | None, typer.Argument(metavar="KIND", help="A kind of records, such as visits.")] = None,
) -> None:
    """List the columns of the records: type, unit, whether they must be filled in, meaning, words."""
    from pipeline.records import KINDS
    from pipeline.records.reference import as_json, rows

    if kind is not None and kind not in KINDS:
        raise UserError(f"there is no kind of records {kind!r}", do=f"There are {', '.join(KINDS)}")
    kinds = [KINDS[kind]] if kind else list(KINDS.values())
    if output.json:
        output.data([row for one in kinds for row in as_json(one)])
    elif kind:
        output.table(rows(KINDS[kind]))
    else:
        output.table(
            [{"kind": k.name, "columns": len(k.columns), "dated_by": k.dated_by, "holds": k.title} for k in kinds]
        )
        paragraph("\n`canalwise columns KIND` lists the columns of a kind.")
