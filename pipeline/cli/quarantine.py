"""`canalwise quarantine`"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import reading
from pipeline.cli.options import STORE, StoreOption
from pipeline.cli.words import refused_and_empty
from pipeline.output.terminal import paragraph, say

if TYPE_CHECKING:
    from pipeline.importing.quarantine import Refused

KindOption = Annotated[str | None, typer.Option("--kind", metavar="KIND", help="Only rows of this record kind.")]
ReasonOption = Annotated[str | None, typer.Option("--reason", metavar="RULE", help="Only rows refused by this rule.")]
FileOption = Annotated[
    str | None, typer.Option("--file", metavar="NAME", help="Only rows of this file, or of visits*.csv.")
]
BatchOption = Annotated[
    int | None, typer.Option("--batch", metavar="N", help="Only rows of this import; see `status`.")
]
ColumnOption = Annotated[
    str | None, typer.Option("--column", metavar="COLUMN", help="Only rows refused for this column.")
]
_SHOWN = 40  # refused rows; of more, those are shown after a summary by reason


@command(tables=True)
def quarantine(
    output: Output,
    context: typer.Context,
    kind: KindOption = None,
    reason: ReasonOption = None,
    file: FileOption = None,
    batch: BatchOption = None,
    column: ColumnOption = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Write them to FILE.csv or FILE.xlsx, to be mended and imported."),
    ] = None,
    store: StoreOption = STORE,
) -> None:
    """List refused rows and cells left empty: where each stands in its export, and why."""
    if context.invoked_subcommand:
        return
    from pipeline.importing import quarantine as books
    from pipeline.output.rows import check_format

    if out:
        check_format(out, books.FORMATS)
    wanted = books.Wanted(kind, reason, file, batch, column)
    with reading(store) as connection:
        rows = books.refused(connection, wanted)
        reasons = books.by_reason(connection, wanted)
        counted = books.counted(connection, wanted)
    if out:
        for path, number in books.export(rows, out):
            output.talk(f"{number} row{'' if number == 1 else 's'}: {path}")
    elif output.json:
        counts = dict(zip(("refused", "blanked"), counted, strict=True))
        output.data({"rows": [row.as_json() for row in rows], "by_reason": reasons, **counts, "store": str(store)})
    else:
        _print(output, rows, reasons, *counted)
    if rows:
        raise typer.Exit(1)


def _print(output: Output, rows: list[Refused], reasons: list[dict[str, Any]], refused: int, blanked: int) -> None:
    shown = rows
    if rows:
        say(f"{refused_and_empty(refused, blanked)}{':' if len(rows) > _SHOWN else '.'}")
    if len(rows) > _SHOWN:
        empty = tuple(name for name, n in (("rows", refused), ("cells", blanked)) if not n)
        output.table(reasons, drop=("hint", *empty), spare=("files", "kind"), text=28)
        for line in reasons:
            if line["hint"]:
                paragraph(f"{line['rule']}: {line['hint']}")
        shown = rows[:_SHOWN]
        say()
        paragraph(f"The first {_SHOWN}; --reason, --file, --column and --kind choose others, --out writes all:")
    output.table(
        [
            {"file": row.file, "row": row.row, "kind": row.kind, "what": row.what_in_words, "reason": row.reason}
            for row in shown
        ],
        empty="Nothing is in quarantine.",
        spare=("kind",),
        text=28,
    )
