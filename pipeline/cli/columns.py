"""`canalwise columns`: which columns the records have, what they mean, and which words they take."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from pipeline.errors import UserError


def columns(
    name: Annotated[str | None, typer.Argument(metavar="[KIND]", help="A kind of records, such as visits.")] = None,
    json_: Annotated[bool, typer.Option("--json", help="Machine-readable output on stdout.")] = False,
) -> None:
    """List the columns of the records: type, unit, whether they must be filled in, meaning, words."""
    from pipeline.output.terminal import say, table
    from pipeline.records import KINDS
    from pipeline.records.reference import as_json, rows

    if name is not None and name not in KINDS:
        raise UserError(f"there is no kind of records {name!r}", do=f"There are {', '.join(KINDS)}")
    kinds = [KINDS[name]] if name else list(KINDS.values())
    if json_:
        say(json.dumps([row for kind in kinds for row in as_json(kind)], ensure_ascii=False))
    elif name:
        table(rows(KINDS[name]))
    else:
        table([{"kind": k.name, "columns": len(k.columns), "dated_by": k.dated_by, "holds": k.title} for k in kinds])
        say("\n`canalwise columns KIND` lists the columns of a kind.")
