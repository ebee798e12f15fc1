"""`canalwise measure`"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import workspace_of
from pipeline.cli.options import STORE, SettingsOption, StoreOption, day, names
from pipeline.cli.options import only as only_of
from pipeline.errors import UserError
from pipeline.output.terminal import paragraph, say

if TYPE_CHECKING:
    from pipeline.measures.run import Result


@command(tables=True)
def measure(
    output: Output,
    name: Annotated[str, typer.Argument(metavar="NAME", help="A measure; `canalwise measures` lists them.")],
    by: Annotated[
        str | None, typer.Option("--by", metavar="GROUP,...", help="Groups, e.g. sequence,tooth_type.")
    ] = None,
    where: Annotated[
        list[str] | None,
        typer.Option("--where", metavar="GROUP=VALUE", help="Only these units, e.g. dentist=D1; may be repeated."),
    ] = None,
    from_: Annotated[str | None, typer.Option("--from", metavar="DAY", help="First day, e.g. 2026-01-01.")] = None,
    to: Annotated[str | None, typer.Option("--to", metavar="DAY", help="Last day.")] = None,
    process: Annotated[bool, typer.Option("--process", help="A process chart by month; by dentist a CUSUM.")] = False,
    as_of: Annotated[
        str | None, typer.Option("--as-of", metavar="DAY", help="Follow-up, dues and ages as on that day.")
    ] = None,
    known_on: Annotated[
        str | None, typer.Option("--known-on", metavar="DAY", help="As known then: later imports do not count.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="FILE.csv, .parquet, .xlsx or .json instead.")
    ] = None,
    store: StoreOption = STORE,
    settings: SettingsOption = None,
) -> None:
    """Compute a measure, with n, interval, and what was left out.

    --to leaves out what happened later, --as-of tells follow-up, dues and ages as on that day, --known-on turns back
    later imports: what they replaced is there again.

    --process makes a process chart by month, with limits and signals; of healed shares and separations, by dentist or
    sequence, a risk-adjusted CUSUM of more events than expected and of fewer, from 60 teeth of others on.
    """
    from pipeline.measures.catalogue import find
    from pipeline.measures.sentence import with_sentences
    from pipeline.measures.uncatalogued import to_write

    find(name)
    start, end, known = day(from_, "--from"), day(to, "--to"), day(known_on, "--known-on")
    only, on = only_of(where), day(as_of, "--as-of")
    if start and end and start > end:
        raise UserError(f"--from {start} is after --to {end}", do="Swap them")
    if out:
        from pipeline.output.rows import check_format

        check_format(out)
    with workspace_of(output, store, settings, known, on) as workspace:
        if process and names(by) in ((), ("month",)):
            from pipeline.measures.process_chart import process_chart

            result: Result = process_chart(workspace, name, only, start, end)
        elif process:
            from pipeline.measures.answers import unheard
            from pipeline.measures.process_cusum import process_cusum

            if only:
                raise UserError("--where does not go with a CUSUM, which compares groups", do="Give --by alone")
            result = process_cusum(workspace, name, names(by), start, end)
            for line in unheard(workspace):
                output.talk(line)
        else:
            found = workspace.compute(name, names(by), start, end, only)
            result = with_sentences(found, workspace.settings.reporting.confidence)
        lacking = to_write(workspace) if name == "adherence" else ""
    if out:
        from pipeline.output.rows import write_rows

        whole = result.as_json() | {"settings_from": workspace.settings_from}
        write_rows(result.rows, out, title=result.measure, whole=whole)
        output.talk(str(out))
    elif output.json:
        more = ({"known_on": known} if known else {}) | ({"to_write": lacking} if lacking else {})
        more["settings_from"] = workspace.settings_from
        output.data(result.as_json() | more)
    else:
        _print(output, result, empty=lacking or "Nothing to show.")
        if lacking and result.rows:
            say()
            paragraph(lacking)
    if known:
        output.talk(f"As known on {known}: later imports do not count; refusals that they settled are not told again.")


def _print(output: Output, result: Result, empty: str) -> None:
    from pipeline.measures.shown import heading, shown

    paragraph(heading(result))
    output.table(result.rows, **{"empty": empty} | shown(result))
    for row in result.rows:
        if "sentence" in row:
            paragraph(row["sentence"])
    if signals := getattr(result, "signals", None):
        say("Signals:")
        for signal in signals:
            paragraph(f"  {signal['says']}", hang=2)
    for note in getattr(result, "notes", ()):
        paragraph(note)
    print_left_out(result)


def print_left_out(result: Result) -> None:
    """What did not count, and why."""
    for left in result.left_out:
        paragraph(f"left out: {left['n']} - {left['reason']}", hang=2)
    if result.suppressed:
        groups = "1 group" if result.suppressed == 1 else f"{result.suppressed} groups"
        paragraph(f"too few to report, or withheld because the total would tell those: {groups}", hang=2)
