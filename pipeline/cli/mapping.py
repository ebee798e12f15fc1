"""`canalwise mapping`"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.errors import UserError
from pipeline.output.terminal import preview


@command()
def mapping(
    output: Output,
    paths: Annotated[list[Path], typer.Argument(help="Files or folders of exports.", metavar="PATH")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="A new file for the draft, instead of stdout.")
    ] = None,
) -> None:
    """Draft a mapping file for unknown exports: which column is what, with evidence; the unsure is asked.

    Exit status 1 while questions are open.
    """
    if out and out.exists():
        raise UserError("exists already", where=str(out), do="Give --out another name, or remove it first")
    from pipeline.mapping.draft.draft import draft

    drafted = draft(paths, progress=output.talk, to=out)
    if out:
        drafted.write(out)
    if output.json:
        output.data(drafted.as_json())
    elif not out:
        preview(drafted.text)
    if drafted.questions:
        many = "1 question is" if len(drafted.questions) == 1 else f"{len(drafted.questions)} questions are"
        output.talk(f'{many} open; they stand in the draft as lines that begin with "#?".')
        raise typer.Exit(1)
