"""`canalwise explain`"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import settings_given, workspace_of
from pipeline.cli.options import STORE, SettingsOption, StoreOption
from pipeline.output import terminal

if TYPE_CHECKING:
    from pipeline.measures.run import Workspace


@command()
def explain(
    output: Output,
    name: Annotated[str, typer.Argument(metavar="NAME", help="A measure.")],
    store: StoreOption = STORE,
    settings: SettingsOption = None,
) -> None:
    """Explain a measure: definition, formula, source, a worked example; of a store also its own figures."""
    from pipeline.measures.catalogue import find
    from pipeline.measures.explain import explained, explained_json
    from pipeline.settings import Settings

    measure = find(name)

    def answer(own: Settings, workspace: Workspace | None = None) -> None:
        if output.json:
            more = {"settings_from": workspace.settings_from} if workspace else {}
            output.data(explained_json(measure, own, workspace) | more)
        else:
            terminal.say(explained(measure, own, workspace, terminal.width()))

    if store == STORE and not store.exists():  # a measure can be explained before there is a store
        answer(settings_given(settings)[0] or Settings())
    else:
        with workspace_of(output, store, settings) as workspace:
            answer(workspace.settings, workspace)
