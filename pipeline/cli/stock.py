"""`canalwise stock`"""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.measure import print_left_out
from pipeline.cli.opened import workspace_of
from pipeline.cli.options import STORE, SettingsOption, StoreOption, names
from pipeline.output.terminal import paragraph


@command(tables=True)
def stock(
    output: Output,
    by: Annotated[str, typer.Option("--by", metavar="GROUP,...", help="Groups: size, motion or both.")] = "motion,size",
    store: StoreOption = STORE,
    settings: SettingsOption = None,
) -> None:
    """Instruments in stock: how long they last, and how many the next 30, 60 and 90 days will need."""
    from pipeline.questions.stock import SHORT, SPARE, lines

    with workspace_of(output, store, settings) as workspace:
        result = workspace.compute("stock_forecast", names(by))
    if output.json:
        output.data({**result.as_json(), "settings_from": workspace.settings_from})
        return
    paragraph(f"{result.title} ({result.unit})")
    empty = "No instrument was used in the months that are counted, and none is in stock."
    output.table(lines(result), empty=empty, short=SHORT, spare=SPARE)
    print_left_out(result)
