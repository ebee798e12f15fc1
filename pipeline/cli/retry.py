"""`canalwise quarantine retry`"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import writing
from pipeline.cli.options import STORE, StoreOption
from pipeline.cli.quarantine import BatchOption, ColumnOption, FileOption, KindOption, ReasonOption
from pipeline.cli.words import refused_and_empty


@command(tables=True)
def retry(
    output: Output,
    mapping: Annotated[
        Path | None,
        typer.Option("--mapping", metavar="FILE", help="A mended mapping file. Default: as each row was read before."),
    ] = None,
    kind: KindOption = None,
    reason: ReasonOption = None,
    file: FileOption = None,
    batch: BatchOption = None,
    column: ColumnOption = None,
    store: StoreOption = STORE,
) -> None:
    """Read refused rows and those with cells left empty again, by today's rules; what passes goes into the store."""
    from pipeline.importing import quarantine as books
    from pipeline.mapping.model import load_mapping
    from pipeline.store.identity import key_of

    wanted = books.Wanted(kind, reason, file, batch, column)
    mended = load_mapping(mapping) if mapping else None
    with writing(store) as connection:
        standing = books.standing(connection, wanted, mended) if mended else []
        done = list(books.retry(connection, key_of(connection, store), wanted, mended, output.talk))
        refused, blanked = books.counted(connection)
    if output.json:
        files, stand = [d.as_json() for d in done], [s.as_json() for s in standing]
        left = {"quarantined": refused, "blanked": blanked}
        output.data({"files": files, **left, "standing": stand, "store": str(store)})
    else:
        output.table([d.as_json() for d in done], empty="Nothing was in quarantine.", drop=("left",), spare=("kind",))
        for of_file in done:
            for why in of_file.left:
                output.talk(f"{of_file.file}: {why}")
    for one in standing:
        output.talk(one.sentence(str(mapping)))
    if refused or blanked:
        output.talk(f"Still in quarantine: {refused_and_empty(refused, blanked)}.")
    if refused or blanked or standing:
        raise typer.Exit(1)
