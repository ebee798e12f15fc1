"""`canalwise ingest`"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import settings_given
from pipeline.cli.options import STORE, SettingsOption, StoreOption
from pipeline.cli.words import IMPORTED, refused_and_empty
from pipeline.errors import UserError
from pipeline.output.terminal import paragraph

if TYPE_CHECKING:
    from pipeline.importing.ingest import Imported
    from pipeline.sources.unread import LeftOut


@command(tables=True)
def ingest(
    output: Output,
    paths: Annotated[list[Path] | None, typer.Argument(help="Files or folders of exports.", metavar="PATH")] = None,
    as_kind: Annotated[
        str | None, typer.Option("--as", metavar="KIND", help="The record kind, when the header leaves it open.")
    ] = None,
    mapping: Annotated[
        Path | None, typer.Option("--mapping", metavar="FILE", help="A mapping file for exports with other headers.")
    ] = None,
    undo: Annotated[
        int | None, typer.Option("--undo", metavar="BATCH", help="Take an import out again; `status` numbers them.")
    ] = None,
    memory: Annotated[
        str | None,
        typer.Option("--memory", metavar="SIZE", help="What DuckDB may take of the memory, e.g. 2GB; without it 80%."),
    ] = None,
    store: StoreOption = STORE,
    settings: SettingsOption = None,
) -> None:
    """Import exports. Prints for each file: read = loaded + unchanged + superseded + quarantined.

    --undo takes an import out again; what it had superseded comes back.
    """
    if (undo is None) == (not paths):
        raise UserError("give either PATH... to import, or --undo BATCH", do="`canalwise ingest --help` says more")
    if undo is not None:
        _undo(output, store, undo)
        return
    from pipeline.importing import not_records
    from pipeline.importing.ingest import ingest as run

    own, _ = settings_given(settings)
    files: list[Imported] = []
    left: list[LeftOut] = []
    aside: dict[str, dict[str, None]] = {}  # a file of several kinds is read for each, but its lines are told once
    failed: UserError | None = None
    with output.progress() as bar:
        try:
            for done in run(
                store,
                paths or [],
                own,
                as_kind=as_kind,
                mapping_file=mapping,
                progress=bar.line,
                part=bar.part,
                leave_out=left.append,
                memory=memory,
            ):
                files.append(done)
                for said in not_records.aside(done.aside):
                    aside.setdefault(said, {})[done.file] = None
                bar.count(f"{sum(f.counts.read for f in files):,} rows")
        except UserError as e:
            failed = e  # what is in the store is told all the same
    for said, names in aside.items():
        output.talk(f"{', '.join(names)}: {said}")
    if output.json and (files or not failed):
        left_out = {"left_out": [one.as_json() for one in left]} if left else {}
        output.data({"files": [f.as_json() for f in files], **left_out, "store": str(store)})
    elif files:
        drop = () if any(f.counts.blanked for f in files) else ("blanked",)
        output.table([f.as_json() for f in files], drop=drop, **IMPORTED)
    if empty := [one.file for one in files if not (one.counts.read or one.skipped)]:
        output.talk(f"{'There are no records' if len(empty) == len(files) else 'No records'} in {', '.join(empty)}.")
    for one in files:
        for column in one.misread:
            output.talk(
                f"{one.file}: nearly every cell of {one.kind}.{column} was left empty: it may be another column, or "
                "its unit, notation or format not what the mapping says."
            )
    for left_one in left:
        output.talk(f"Left out: {left_one.error}")
    if failed:
        raise failed
    refused, blanked = sum(f.counts.quarantined for f in files), sum(f.counts.blanked for f in files)
    if refused or blanked:
        output.talk(f"{refused_and_empty(refused, blanked)}; `canalwise quarantine` lists them with their reasons.")
    if refused or left or any(f.misread for f in files):
        raise typer.Exit(1)


def _undo(output: Output, store: Path, batch: int) -> None:
    from pipeline.importing.ingest import undo

    again = undo(store, batch, output.talk)
    if output.json:
        output.data({"undone": batch, "import_again": again, "store": str(store)})
        return
    paragraph(f"Batch {batch} is out of the store; what it had superseded is back.")
    for file in again:
        paragraph(f"Import again: {file} (rows of it depended on this batch)")
