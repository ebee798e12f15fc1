"""Who is due for follow-up, and since when: the list that a practice telephones from."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from pipeline.facts.prepare import make

if TYPE_CHECKING:
    from pipeline.measures.run import Workspace

Row = dict[str, Any]

# A lesion that has not gone is followed for four years at least: ESE 2006, Int Endod J 39:921 (from memory). That it is
# looked at once a year until then is common practice, no source.
FOLLOWED_MONTHS, EVERY_MONTHS = 48, 12

_LIST = """
with waiting as (
    select
        f.treatment_id,
        f.dentist,
        f.tooth,
        f.completed_on,
        case when f.last_seen_on >= f.completed_on then f.last_seen_on end as last_seen_on,
        f.lesion,
        f.incidents,
        f.separations,
        f.outcome_class,
        f.intervention,
        f.last_seen_on >= f.completed_on + interval '{window_from}' month as was_seen
    from tooth_facts as f
    where f.completed and not f.lost and f.exfoliated_on is null and f.retreated_on is null
),

dated as (
    select
        *,
        case
            when was_seen then cast(last_seen_on + interval '{every}' month as date)
            else cast(completed_on + interval '{after}' month as date)
        end as due_since,
        case
            when was_seen then cast(last_seen_on + interval '{every_late}' month as date)
            else cast(completed_on + interval '{window_to}' month as date)
        end as overdue_after
    from waiting
    where not coalesce(was_seen, false) or outcome_class in ('healing', 'uncertain', 'not healed')
)

select
    treatment_id,
    dentist,
    tooth,
    case when overdue_after < ? then 'overdue' else 'due' end as state,
    due_since,
    date_diff('day', due_since, ?) as days,
    case
        when was_seen and intervention is not null then 'operated on after treatment'
        when was_seen then outcome_class || ' when last seen'
        else 'first follow-up'
    end as reason,
    lesion,
    incidents,
    separations,
    completed_on,
    last_seen_on
from dated
where due_since <= ? and (not coalesce(was_seen, false) or due_since <= completed_on + interval '{followed}' month)
order by
    case when incidents > 0 then 0 else 1 end,
    case when lesion = 'yes' then 0 else 1 end,
    due_since,
    treatment_id
"""


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
    sql = _LIST.format(
        window_from=min(window_from, after),
        window_to=window_to,
        after=after,
        every=EVERY_MONTHS,
        every_late=EVERY_MONTHS + max(window_to - after, 0),
        followed=FOLLOWED_MONTHS,
    )
    make(workspace.connection, ["tooth_facts"])
    cursor = workspace.connection.execute(sql, [workspace.as_of] * 3)
    names = [column[0] for column in cursor.description or ()]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def due_sentence(rows: list[Row], on: dt.date) -> str:
    """One sentence for people."""
    overdue = sum(row["state"] == "overdue" for row in rows)
    teeth = "1 tooth is" if len(rows) == 1 else f"{len(rows):,} teeth are"
    return f"On {on} {teeth} due for follow-up; overdue: {overdue:,}."
