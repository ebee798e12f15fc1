"""Answers in the settings (to signals of a CUSUM) that name a dentist or a sequence which no record has."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.measures.run import Workspace

_SHOWN = 12  # names


def unheard(workspace: Workspace) -> list[str]:
    """A line for each answer that so answers nothing, with the names that there are."""
    said = []
    for group, table in {"dentist": "treatments", "sequence": "canals"}.items():
        answers = [answer for answer in workspace.settings.answers if answer.group == group]
        if not answers:
            continue
        names = workspace.connection.execute(
            f"select distinct {group} from {table} where {group} is not null order by 1"
        )
        known = [str(name) for (name,) in names.fetchall()]
        shown = ", ".join(known[:_SHOWN]) + (" ..." if len(known) > _SHOWN else "")
        said += [
            f"An answer in the settings ({answer.measure}, {answer.on}) names {group} “{answer.value}”, which no "
            f"record has, and so answers nothing; the records have {shown or 'none'}."
            for answer in answers
            if answer.value not in known
        ]
    return said
