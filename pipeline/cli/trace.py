"""`canalwise trace`"""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli.command import Output, command
from pipeline.cli.opened import workspace_of
from pipeline.cli.options import STORE, SettingsOption, StoreOption
from pipeline.errors import UserError
from pipeline.output.terminal import say

_SHORT = {"use_number": "use", "instrument_id": "instrument", "treatment_id": "treatment", "last_seen_on": "last seen"}
_SPARE = (
    *("use_number", "patient", "managed", "size", "sequence", "lost_on", "dentist"),
    *("last_seen_on", "instrument_id", "canal"),
)


@command(tables=True)
def trace(
    output: Output,
    instrument: Annotated[str | None, typer.Option("--instrument", metavar="ID", help="One instrument.")] = None,
    lot: Annotated[str | None, typer.Option("--lot", metavar="LOT", help="All instruments of a lot.")] = None,
    store: StoreOption = STORE,
    settings: SettingsOption = None,
) -> None:
    """List every canal and patient (pseudonym) that an instrument or a lot touched, with result and follow-up."""
    if (instrument is None) == (lot is None):
        raise UserError("give either --instrument ID or --lot LOT", do="`canalwise trace --help` says more")
    from pipeline.questions.trace import trace as follow

    with workspace_of(output, store, settings) as workspace:
        found = follow(workspace.connection, instrument, lot)
    if output.json:
        output.data({**found.as_json(), "instrument": instrument, "lot": lot, "store": str(store)})
        return
    output.table(
        found.instruments,
        drop=("practice",),
        empty="No instrument of this lot is named.",
        spare=("received_on", "expires_on", "motion", "taper"),
    )
    say()
    empty = "It was in no canal that the store knows of."
    output.table(found.canals, drop=("practice",), empty=empty, short=_SHORT, spare=_SPARE)
    canals, patients = len({(r["treatment_id"], r["canal"]) for r in found.canals}), found.patients
    say(f"\n{canals} canal{'' if canals == 1 else 's'} of {patients} patient{'' if patients == 1 else 's'}.")
    if found.untracked_uses:
        kind = "instrument" if instrument is not None else "instrument and no lot"
        output.talk(f"{found.untracked_uses} uses in the store name no {kind}: this trace cannot see them.")
    if found.quarantined:
        output.talk(
            f"{found.quarantined} rows on instruments, uses and incidents are in quarantine: `canalwise quarantine`."
        )
