"""Who is due for follow-up, and since when: the list that a practice telephones from."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from pipeline.facts.prepare import make
from pipeline.questions.queries import query

if TYPE_CHECKING:
    from pipeline.measures.run import Workspace

Row = dict[str, Any]

# A lesion that has not gone is followed for four years at least: ESE 2006, Int Endod J 39:921 (from memory). That it is
# looked at once a year until then is common practice, no source.
FOLLOWED_MONTHS, EVERY_MONTHS = 48, 12


def due(workspace: Workspace) -> list[Row]:
    """Teeth due for follow-up on the day of the workspace: incidents first, then lesions, the longest wait first.

    A first follow-up is due 12 months after completion if the tooth was not seen from 9 months on, and overdue after
    18 (the practice's settings say otherwise), the last day of that window still in time. A tooth that was healing,
    uncertain or not healed when last seen, or was operated on, is due again a year later, until four years after
    completion. Teeth lost, exfoliated or treated again are not listed. `days` since it was due.
    """
    reporting = workspace.settings.reporting
    window_from, window_to = reporting.recall_window_months
    after = reporting.healed_after_months
    values = {
        "as_of": workspace.as_of,
        "window_from": min(window_from, after),
        "window_to": window_to,
        "after": after,
        "every": EVERY_MONTHS,
        "every_late": EVERY_MONTHS + max(window_to - after, 0),
        "followed": FOLLOWED_MONTHS,
    }
    make(workspace.connection, ["tooth_facts"])
    cursor = workspace.connection.execute(query("recall"), values)
    names = [column[0] for column in cursor.description or ()]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def summary(rows: list[Row], on: dt.date) -> str:
    """One sentence for people."""
    overdue = sum(row["state"] == "overdue" for row in rows)
    teeth = "1 tooth is" if len(rows) == 1 else f"{len(rows):,} teeth are"
    return f"On {on} {teeth} due for follow-up; overdue: {overdue:,}."
