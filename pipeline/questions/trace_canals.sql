-- Every canal that they touched, or that an incident says they did, and what became of its tooth.
with ranked as (
    select u.practice, u.instrument_id, u.treatment_id, u.canal, u.started_at, u.size, u.motion,
        case u.result when 'separated' then 4 when 'deformed' then 3 when 'discarded' then 2 when 'other' then 1
            when 'intact' then 0 end as grade
    from instrument_uses as u
    left join traced as t on t.practice = u.practice and t.instrument_id = u.instrument_id
    where t.instrument_id is not null or u.lot = $lot  -- a use may name its lot and no instrument
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
