-- One row a use: one instrument taken into one canal. Separations that only the incidents know of are counted at the
-- first use of their canal (of their instrument, where it is named), so that every event has an exposure. One that no use
-- can count has a row of its own, without use_id and exposure: `not_placed` says why.
with doubtful as (
    select i.practice, i.incident_id, m.rules
    from incidents as i
    inner join record_flags as m on m.kind = 'incidents' and m.batch_id = i.batch_id and m.record_no = i.record_no
),

only_reported as (
    select
        e.practice,
        e.treatment_id,
        e.canal,
        e.instrument_id,
        count(*) as events,
        string_agg(d.rules, '') as rules
    from separation_events as e
    left join doubtful as d on d.practice = e.practice and d.incident_id = e.incident_id
    where e.use_id is null
    group by e.practice, e.treatment_id, e.canal, e.instrument_id
),

reported_uses as (
    select e.practice, e.use_id, d.rules
    from separation_events as e
    inner join doubtful as d on d.practice = e.practice and d.incident_id = e.reported_as
    where e.use_id is not null
),

first_use as (
    select
        r.practice,
        r.treatment_id,
        r.canal,
        r.instrument_id,
        r.events,
        r.rules,
        coalesce(
            min(case when u.instrument_id = r.instrument_id then u.use_id end),
            min(u.use_id)
        ) as use_id
    from only_reported as r
    inner join instrument_uses as u
        on u.practice = r.practice and u.treatment_id = r.treatment_id and u.canal = r.canal
    group by r.practice, r.treatment_id, r.canal, r.instrument_id, r.events, r.rules
),

added as (
    select practice, use_id, sum(events) as events, string_agg(rules, '') as rules
    from first_use
    group by practice, use_id
),

counted as (
    select
        u.practice,
        u.use_id,
        u.treatment_id,
        u.canal,
        u.instrument_id,
        cast(u.started_at as date) as happened_on,
        u.size,
        u.motion,
        u.not_engine_driven,
        coalesce(m.rules, '') || coalesce(a.rules, '') || coalesce(r.rules, '') as flags,
        case when u.result = 'separated' then 1 else 0 end + coalesce(a.events, 0) as separations,
        1 as exposure,
        cast(null as varchar) as not_placed
    from use_base as u
    left join added as a on a.practice = u.practice and a.use_id = u.use_id
    left join reported_uses as r on r.practice = u.practice and r.use_id = u.use_id
    left join record_flags as m on m.kind = 'instrument_uses' and m.batch_id = u.batch_id and m.record_no = u.record_no
    union all
    select
        practice,
        cast(null as varchar) as use_id,
        treatment_id,
        canal,
        instrument_id,
        happened_on,
        size,
        motion,
        cast(null as varchar) as not_engine_driven,
        flags,
        1 as separations,
        0 as exposure,
        without_use as not_placed
    from separations_not_placed
    where without_use is not null
)

select
    x.*,
    u.use_id,
    u.instrument_id,
    coalesce(u.happened_on, cast(x.begun_at as date)) as happened_on,
    u.size,
    u.motion,
    u.not_engine_driven,
    w.not_watched,
    u.flags || x.treatment_flags as flags,
    u.separations,
    u.exposure,
    u.not_placed
from counted as u
inner join canal_case_mix as x
    on x.practice = u.practice and x.treatment_id = u.treatment_id and x.canal is not distinct from u.canal
left join results_recorded as w on w.practice = u.practice
