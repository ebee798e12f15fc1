-- Every incident on one line, and separations that only the uses know of.
with reported as (
    select
        i.practice,
        i.treatment_id,
        i.incident_id,
        i.kind,
        i.occurred_at,
        i.canal,
        i.canal_third,
        i.instrument_id,
        i.fragment_mm,
        i.managed,
        i.patient_informed
    from incidents as i
),

-- How many reports of a tooth are told to be a separated use: those that are no event of their own.
told as (
    select r.practice, r.treatment_id, count(*) - count(e.incident_id) as reports
    from reported as r
    left join separation_events as e on e.practice = r.practice and e.incident_id = r.incident_id
    where r.kind = 'separation'
    group by r.practice, r.treatment_id
),

-- Separated uses of a tooth, those first that a report fits best.
separated_uses as (
    select
        u.practice,
        u.treatment_id,
        u.use_id,
        u.started_at,
        u.canal,
        u.instrument_id,
        row_number() over (partition by u.practice, u.treatment_id order by max(
            case
                when r.instrument_id = u.instrument_id and (r.canal is null or r.canal = u.canal) then 3
                when r.instrument_id <> u.instrument_id then 0
                when r.canal = u.canal then 2
                when r.incident_id is not null and r.canal is null then 1
                else 0
            end
        ) desc, u.use_id) as place
    from instrument_uses as u
    left join reported as r
        on r.practice = u.practice and r.treatment_id = u.treatment_id and r.kind = 'separation'
    where u.result = 'separated'
    group by u.practice, u.treatment_id, u.use_id, u.started_at, u.canal, u.instrument_id
),

from_uses as (
    select
        u.practice,
        u.treatment_id,
        cast(null as varchar) as incident_id,
        'separation' as kind,
        u.started_at as occurred_at,
        u.canal,
        cast(null as varchar) as canal_third,
        u.instrument_id,
        cast(null as double) as fragment_mm,
        cast(null as varchar) as managed,
        cast(null as boolean) as patient_informed
    from separated_uses as u
    left join told as t on t.practice = u.practice and t.treatment_id = u.treatment_id
    where u.place > coalesce(t.reports, 0)
),

every_one as (
    select * from reported
    union all
    select * from from_uses
),

known as (
    select e.*, c.curvature_deg, c.sequence as canal_sequence
    from every_one as e
    left join canal_base as c
        on c.practice = e.practice and c.treatment_id = e.treatment_id and c.canal = e.canal
)

select
    cast(k.occurred_at as date) as happened_on,
    k.incident_id,
    k.kind as incident,
    k.treatment_id,
    t.dentist,
    t.tooth,
    t.tooth_type,
    t.tooth_group,
    k.canal,
    k.canal_third,
    k.curvature_deg,
    coalesce(k.canal_sequence, t.sequence) as sequence,
    k.instrument_id,
    n.size,
    n.motion,
    n.use_number,
    i.use_limit,
    k.fragment_mm,
    k.managed,
    k.patient_informed,
    t.outcome_class as outcome,
    t.last_seen_on
from known as k
left join tooth_facts as t on t.practice = k.practice and t.treatment_id = k.treatment_id
left join instrument_canals as n
    on
        n.practice = k.practice
        and n.instrument_id = k.instrument_id
        and n.treatment_id = k.treatment_id
        and n.canal = k.canal
left join instruments as i on i.practice = k.practice and i.instrument_id = k.instrument_id
