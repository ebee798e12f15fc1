"""`canalwise recall`"""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import workspace_of
from pipeline.cli.options import STORE, SettingsOption, StoreOption, day
from pipeline.output.terminal import paragraph

_SHORT = {"treatment_id": "id", "completed_on": "completed", "last_seen_on": "last seen"}
_SPARE = ("separations", "completed_on", "last_seen_on", "days", "incidents", "lesion", "reason")


@command(tables=True)
def recall(
    output: Output,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DAY", help="The day. Default: the latest date in the store.")
    ] = None,
    store: StoreOption = STORE,
    settings: SettingsOption = None,
) -> None:
    """Who is due or overdue for follow-up, and since when: incidents and lesions first."""
    from pipeline.questions.recall import due, summary

    with workspace_of(output, store, settings, as_of=day(on, "--on")) as workspace:
        rows = due(workspace)
    if output.json:
        output.data({"on": workspace.as_of, "rows": rows, "settings_from": workspace.settings_from})
        return
    output.table(rows, empty="Nobody is due for follow-up.", short=_SHORT, spare=_SPARE)
    if rows:
        paragraph(summary(rows, workspace.as_of))
