"""`canalwise report`"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import reading, settings_used
from pipeline.cli.options import STORE, SettingsOption, StoreOption, day
from pipeline.errors import UserError
from pipeline.output.terminal import say
from reports.pages import check, names


@command()
def report(
    output: Output,
    which: Annotated[str, typer.Argument(metavar="WHICH", help=f"{', '.join(names())} or all.")] = "all",
    month: Annotated[
        str | None, typer.Option("--month", metavar="YYYY-MM", help="The month under review, e.g. 2026-03.")
    ] = None,
    dentist: Annotated[
        str | None, typer.Option("--dentist", metavar="ID", help="Only this dentist's own outcomes.")
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The folder of the pages.")] = Path("reports-out"),
    pdf: Annotated[bool, typer.Option("--pdf", help="Also make each page as a PDF for paper.")] = False,
    paper: Annotated[str, typer.Option("--paper", metavar="PAPER", help="The PDFs' paper: a4 or letter.")] = "a4",
    store: StoreOption = STORE,
    settings: SettingsOption = None,
) -> None:
    """Render reports: pages that open from disk, each with its figures in a workbook, and as PDF where wanted.

    With scripts, charts tell their figures under the pointer, one pick points a sequence or tooth type out everywhere,
    and tables sort.
    """
    check(which)
    if month is not None:
        day(f"{month}-01", "--month")
    if paper != "a4" and not pdf:
        raise UserError(f"--paper {paper} is the paper of PDFs, and none are asked for", do="Add --pdf")
    from reports.render import render

    with reading(store) as connection, output.progress() as bar:
        found = settings_used(output, connection, settings)
        pages = render(
            connection,
            found.settings,
            out,
            which=which,
            month=month,
            dentist=dentist,
            progress=bar.line,
            part=bar.part,
            pdf=paper.lower() if pdf else None,
            settings_from=found.origin,
        )
    if output.json:
        output.data({"reports": [str(p) for p in pages]})
    else:
        for page in pages:
            say(str(page))
