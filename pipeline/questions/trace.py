"""Tracing: every canal and patient (by pseudonym) that an instrument, or a lot of them, touched, and what became of it.

In doubt more is shown than less: a use belongs to a lot if either the use or the list of instruments says so, and a
canal in which only an incident names the instrument is listed as well. What no trace can see is counted.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from pipeline.errors import UserError
from pipeline.facts.prepare import make, reads, texts
from pipeline.store.frames import frame

if TYPE_CHECKING:
    import duckdb

    Connection = duckdb.DuckDBPyConnection

Row = dict[str, Any]


@dataclass(frozen=True)
class Trace:
    """`instruments` known of, and `canals` touched, one row an instrument and canal in order of date.

    `untracked_uses` in the store name no instrument (and, for a lot, no lot either): they may belong here unseen.
    `quarantined` uses and incidents were refused, so they are not in the store.
    """

    instruments: list[Row]
    canals: list[Row]
    untracked_uses: int
    quarantined: int

    @property
    def patients(self) -> int:
        """How many patients the canals are of; a canal whose treatment is not in the store names none."""
        return len({(row["practice"], row["patient"]) for row in self.canals if row["patient"] is not None})

    def as_json(self) -> Row:
        return {**asdict(self), "patients": self.patients}


_TRACED = """
create or replace temp table traced as
with named as (
    select practice, instrument_id, lot from instruments
    union
    select practice, instrument_id, lot from instrument_uses where instrument_id is not null
    union
    select practice, instrument_id, null from incidents where instrument_id is not null
)
select distinct practice, instrument_id from named where {condition}
"""

_INSTRUMENTS = """
select t.practice, t.instrument_id, i.lot, i.size, i.taper, i.motion, i.expires_on, i.received_on, i.retired_on,
    i.retired_reason
from traced as t
left join instruments as i on i.practice = t.practice and i.instrument_id = t.instrument_id
order by all
"""

_CANALS = """
with ranked as (
    select u.practice, u.instrument_id, u.treatment_id, u.canal, u.started_at, u.size, u.motion,
        case u.result when 'separated' then 4 when 'deformed' then 3 when 'discarded' then 2 when 'other' then 1
            when 'intact' then 0 end as grade
    from instrument_uses as u
    left join traced as t on t.practice = u.practice and t.instrument_id = u.instrument_id
    where t.instrument_id is not null or ({untracked})
),
touched as (
    select practice, instrument_id, treatment_id, canal, min(started_at) as used_at, max(grade) as grade,
        max(size) as size, max(motion) as motion
    from ranked group by all
),
told as (
    select practice, instrument_id, treatment_id, canal, string_agg(distinct incident, ', ' order by incident) as kinds,
        min(happened_on) as happened_on, max(managed) as managed
    from incident_facts where instrument_id is not null group by all
),
reported as (
    select e.* from told as e inner join traced as t on t.practice = e.practice and t.instrument_id = e.instrument_id
),
every_canal as (
    select practice, instrument_id, treatment_id, canal, used_at, grade, size, motion from touched
    union all
    select r.practice, r.instrument_id, r.treatment_id, r.canal, null, null, null, null from reported as r
    where not exists (
        select 1 from touched as t
        where t.practice = r.practice and t.instrument_id = r.instrument_id and t.treatment_id = r.treatment_id
            and t.canal is not distinct from r.canal)
)
select e.practice,
    coalesce(cast(e.used_at as date), cast(c.started_at as date), r.happened_on, b.started_on) as used_on,
    e.instrument_id, coalesce(e.size, i.size) as size, n.use_number, b.patient_id as patient, e.treatment_id, b.tooth,
    e.canal, b.dentist, b.sequence,
    case e.grade when 4 then 'separated' when 3 then 'deformed' when 2 then 'discarded' when 1 then 'other'
        when 0 then 'intact' end as result,
    r.kinds as incidents, r.managed, b.outcome_class as outcome, b.last_seen_on, b.lost_on
from every_canal as e
left join instruments as i on i.practice = e.practice and i.instrument_id = e.instrument_id
left join canals as c on c.practice = e.practice and c.treatment_id = e.treatment_id and c.canal = e.canal
left join instrument_canals as n on n.practice = e.practice and n.instrument_id = e.instrument_id
    and n.treatment_id = e.treatment_id and n.canal = e.canal
left join tooth_facts as b on b.practice = e.practice and b.treatment_id = e.treatment_id
left join reported as r on r.practice = e.practice and r.instrument_id = e.instrument_id
    and r.treatment_id = e.treatment_id and r.canal is not distinct from e.canal
order by used_on, e.practice, e.treatment_id, e.instrument_id, n.use_number, e.canal
"""


def trace(connection: Connection, instrument: str | None = None, lot: str | None = None) -> Trace:
    """Follow one instrument or one lot through a store that a Workspace is open on.

    UserError unless exactly one of both is given, or where the store knows nothing of it.
    """
    if (instrument is None) == (lot is None):
        raise UserError("give either --instrument ID or --lot LOT", do="`canalwise trace --help` says more")
    if instrument is not None:
        wanted, condition, untracked, unseen = instrument, "instrument_id = $wanted", "false", "instrument_id is null"
    else:
        assert lot is not None
        wanted, condition = lot, "lot = $wanted and instrument_id is not null"
        # A use may name its lot and no instrument.
        untracked, unseen = "u.lot = $wanted", "instrument_id is null and lot is null"
    wanted = wanted.strip()
    make(connection, reads(_TRACED + _CANALS) & texts().keys())
    connection.execute(_TRACED.format(condition=condition), {"wanted": wanted})
    instruments = frame(connection, _INSTRUMENTS).to_dicts()
    sql = _CANALS.format(untracked=untracked)
    cursor = connection.execute(sql, {"wanted": wanted} if "$wanted" in sql else None)
    names = [column[0] for column in cursor.description or ()]
    canals = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    if not instruments and not canals:
        what = f"instrument {wanted}" if instrument is not None else f"lot {wanted}"
        raise UserError(
            f"the store knows of no {what}", do="Look for another spelling: it is compared letter by letter"
        )
    untracked_uses = _count(connection, f"select count(*) from instrument_uses where {unseen}")
    quarantined = _count(
        connection,
        "select count(*) from quarantine "
        "where what = 'row' and kind in ('instruments', 'instrument_uses', 'incidents')",
    )
    return Trace(instruments, canals, untracked_uses, quarantined)


def _count(connection: Connection, sql: str) -> int:
    found = connection.execute(sql).fetchone()
    assert found is not None
    return int(found[0])
