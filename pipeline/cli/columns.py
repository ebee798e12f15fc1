"""`canalwise columns`: which columns the records have, what they mean, which words they take; a workbook to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.errors import UserError
from pipeline.output.terminal import paragraph, say

if TYPE_CHECKING:
    from pipeline.records import Kind


@command(tables=True)
def columns(
    output: Output,
    kinds: Annotated[list[str] | None, typer.Argument(metavar="KIND", help="Kinds of records, such as visits.")] = None,
    workbook: Annotated[
        Path | None,
        typer.Option("--workbook", metavar="FILE", help="Write a workbook (.xlsx) to keep them in by hand."),
    ] = None,
    language: Annotated[
        str | None,
        typer.Option("--language", metavar="CODE", help="The trade's words above its heads: en, de, fr, es, it or pl."),
    ] = None,
) -> None:
    """List the columns of the records: type, unit, whether they must be filled in, meaning, words."""
    from pipeline.records import KINDS
    from pipeline.records.reference import as_json, rows

    if unknown := next((kind for kind in kinds or () if kind not in KINDS), None):
        raise UserError(f"there is no kind of records {unknown!r}", do=f"There are {', '.join(KINDS)}")
    chosen = [kind for name, kind in KINDS.items() if not kinds or name in kinds]
    if language and not workbook:
        raise UserError("--language is that of a workbook", do="Name one with --workbook FILE")
    if workbook:
        _write(output, workbook, chosen, language)
    elif output.json:
        output.data([row for one in chosen for row in as_json(one)])
    elif kinds:
        for one in chosen:
            if len(chosen) > 1:
                paragraph(f"{one.name}: {one.title}")
            output.table(rows(one))
    else:
        output.table(
            [{"kind": k.name, "columns": len(k.columns), "dated_by": k.dated_by, "holds": k.title} for k in chosen]
        )
        paragraph("\n`canalwise columns KIND` lists the columns of a kind.")


def _write(output: Output, path: Path, kinds: list[Kind], language: str | None) -> None:
    from pipeline.output.private import write_for_user
    from pipeline.output.template import template
    from pipeline.records import LANGUAGES

    if language not in (None, *LANGUAGES):
        raise UserError(f"there are no words in {language!r}", do=f"There are {', '.join(LANGUAGES)}")
    if path.suffix.lower() != ".xlsx":
        raise UserError("is no name of a workbook", where=str(path), do="Give it one that ends in .xlsx")
    if path.exists():  # it may be filled in
        raise UserError("exists already", where=str(path), do="Give --workbook another name, or remove it first")
    write_for_user(path, template(kinds, language))
    if output.json:
        output.data({"workbook": str(path), "kinds": [kind.name for kind in kinds], "language": language})
    else:
        say(str(path))
        output.talk(f"Fill it in, then: canalwise ingest {path}")
