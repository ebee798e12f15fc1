-- One row a separation. A separated use and an incident of that kind in the same canal are one event: they are matched
-- by instrument where both name it, else one to one while either side leaves the instrument open. What matches nothing
-- is an event of its own, so that one that stands in a single table still counts, and one in both counts once.
-- incident_id: an event that no use tells of. reported_as: the incident that reports a separated use.
with separated_uses as (
    select
        practice,
        treatment_id,
        canal,
        instrument_id,
        use_id,
        row_number() over (
            partition by practice, treatment_id, canal, instrument_id order by use_id
        ) as place
    from instrument_uses
    where result = 'separated'
),

reported as (
    select practice, treatment_id, canal, instrument_id, incident_id, occurred_at
    from incidents
    where kind = 'separation'
),

-- An incident that names no canal takes the canal in which its instrument separated.
canal_of_instrument as (
    select practice, treatment_id, instrument_id, min(canal) as canal
    from separated_uses
    where instrument_id is not null
    group by practice, treatment_id, instrument_id
),

located as (
    select
        r.practice,
        r.treatment_id,
        coalesce(r.canal, c.canal) as canal,
        r.instrument_id,
        r.incident_id,
        r.occurred_at,
        row_number() over (
            partition by r.practice, r.treatment_id, coalesce(r.canal, c.canal), r.instrument_id
            order by r.incident_id
        ) as place
    from reported as r
    left join canal_of_instrument as c
        on
            r.canal is null
            and c.practice = r.practice
            and c.treatment_id = r.treatment_id
            and c.instrument_id = r.instrument_id
),

same_instrument as (
    select l.practice, l.incident_id, u.use_id
    from located as l
    inner join separated_uses as u
        on
            u.practice = l.practice
            and u.treatment_id = l.treatment_id
            and u.canal = l.canal
            and u.instrument_id = l.instrument_id
            and u.place = l.place
),

-- Those uses of a canal first that name their instrument: only an incident that names none can report them.
open_uses as (
    select
        u.practice,
        u.treatment_id,
        u.canal,
        u.instrument_id,
        u.use_id,
        row_number() over (
            partition by
                u.practice,
                u.treatment_id,
                u.canal,
                case when u.instrument_id is null then 1 else 0 end
            order by u.use_id
        ) as place
    from separated_uses as u
    left join same_instrument as s on s.practice = u.practice and s.use_id = u.use_id
    where s.use_id is null
),

open_incidents as (
    select l.practice, l.treatment_id, l.canal, l.instrument_id, l.incident_id
    from located as l
    left join same_instrument as s on s.practice = l.practice and s.incident_id = l.incident_id
    where s.incident_id is null
),

uses_per_canal as (
    select
        practice,
        treatment_id,
        canal,
        count(*) as all_uses,
        sum(case when instrument_id is null then 1 else 0 end) as unnamed_uses
    from open_uses
    group by practice, treatment_id, canal
),

incidents_per_canal as (
    select
        practice,
        treatment_id,
        canal,
        count(*) as all_incidents,
        sum(case when instrument_id is null then 1 else 0 end) as unnamed_incidents
    from open_incidents
    where canal is not null
    group by practice, treatment_id, canal
),

-- The most pairs there can be when two named instruments that differ cannot be a pair. Named uses are paired first
-- with incidents that name none, so that as many unnamed uses as can be are left for the incidents without a canal.
matched_per_canal as (
    select
        u.practice,
        u.treatment_id,
        u.canal,
        least(u.all_uses, i.all_incidents, u.unnamed_uses + i.unnamed_incidents) as matches,
        least(u.all_uses - u.unnamed_uses, i.unnamed_incidents) as named_uses_matched
    from uses_per_canal as u
    inner join incidents_per_canal as i
        on i.practice = u.practice and i.treatment_id = u.treatment_id and i.canal = u.canal
),

-- Uses of the tooth that are still open may be what an incident without a canal reports.
left_per_tooth as (
    select
        u.practice,
        u.treatment_id,
        sum(u.all_uses - coalesce(m.matches, 0)) as uses_left,
        sum(u.unnamed_uses - coalesce(m.matches - m.named_uses_matched, 0)) as unnamed_uses_left
    from uses_per_canal as u
    left join matched_per_canal as m
        on m.practice = u.practice and m.treatment_id = u.treatment_id and m.canal = u.canal
    group by u.practice, u.treatment_id
),

without_canal as (
    select
        practice,
        treatment_id,
        sum(case when instrument_id is null then 1 else 0 end) as unnamed_incidents
    from open_incidents
    where canal is null
    group by practice, treatment_id
),

matched_per_tooth as (
    select
        l.practice,
        l.treatment_id,
        least(l.uses_left, l.unnamed_uses_left + w.unnamed_incidents) as matches
    from left_per_tooth as l
    inner join without_canal as w on w.practice = l.practice and w.treatment_id = l.treatment_id
),

ranked_incidents as (
    select
        o.practice,
        o.treatment_id,
        o.canal,
        o.instrument_id,
        o.incident_id,
        row_number() over (
            partition by o.practice, o.treatment_id, o.canal
            order by case when o.instrument_id is null then 0 else 1 end, o.incident_id
        ) as place,
        coalesce(case when o.canal is null then t.matches else m.matches end, 0) as matches
    from open_incidents as o
    left join matched_per_canal as m
        on m.practice = o.practice and m.treatment_id = o.treatment_id and m.canal = o.canal
    left join matched_per_tooth as t on t.practice = o.practice and t.treatment_id = o.treatment_id
),

-- Which incident reports which use: a named use one that names no instrument, an unnamed use one of those left.
paired_in_canal as (
    select u.practice, u.treatment_id, u.canal, u.instrument_id, u.use_id, i.incident_id
    from open_uses as u
    left join matched_per_canal as m
        on m.practice = u.practice and m.treatment_id = u.treatment_id and m.canal = u.canal
    left join ranked_incidents as i
        on
            i.practice = u.practice
            and i.treatment_id = u.treatment_id
            and i.canal = u.canal
            and i.place <= i.matches
            and i.place = case
                when u.instrument_id is null then m.named_uses_matched + u.place
                when u.place <= m.named_uses_matched then u.place
            end
),

left_uses as (
    select
        practice,
        treatment_id,
        use_id,
        instrument_id,
        row_number() over (
            partition by practice, treatment_id, case when instrument_id is null then 1 else 0 end order by use_id
        ) as place
    from paired_in_canal
    where incident_id is null
),

named_left as (
    select
        l.practice,
        l.treatment_id,
        least(l.uses_left - l.unnamed_uses_left, w.unnamed_incidents) as named_uses_matched
    from left_per_tooth as l
    inner join without_canal as w on w.practice = l.practice and w.treatment_id = l.treatment_id
),

paired_in_tooth as (
    select u.practice, u.use_id, i.incident_id
    from left_uses as u
    inner join named_left as n on n.practice = u.practice and n.treatment_id = u.treatment_id
    inner join ranked_incidents as i
        on
            i.practice = u.practice
            and i.treatment_id = u.treatment_id
            and i.canal is null
            and i.place <= i.matches
            and i.place = case
                when u.instrument_id is null then n.named_uses_matched + u.place
                when u.place <= n.named_uses_matched then u.place
            end
)

select
    u.practice,
    u.treatment_id,
    u.canal,
    u.instrument_id,
    u.use_id,
    cast(null as varchar) as incident_id,
    coalesce(s.incident_id, c.incident_id, t.incident_id) as reported_as
from separated_uses as u
left join same_instrument as s on s.practice = u.practice and s.use_id = u.use_id
left join paired_in_canal as c on c.practice = u.practice and c.use_id = u.use_id
left join paired_in_tooth as t on t.practice = u.practice and t.use_id = u.use_id
union all
select
    practice,
    treatment_id,
    canal,
    instrument_id,
    cast(null as varchar) as use_id,
    incident_id,
    cast(null as varchar) as reported_as
from ranked_incidents
where place > matches
