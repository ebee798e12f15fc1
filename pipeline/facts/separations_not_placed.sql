-- One row a separation that a figure cannot count, as the place where it counts is not known: `without_use` (no use of an
-- instrument is recorded in its canal), `without_canal` (it names no canal, or one that is not among those instrumented),
-- `without_tooth` (its treatment is not in the store), `without_serial` (its instrument, or that instrument's use in the
-- canal, is not known). Each says why, or is null where the separation is counted. Nothing known is lost: a measure
-- lists these among what it leaves out, and with them incidents whose kind is not recorded: they may be separations.
with uses_of_canals as (
    select practice, treatment_id, canal, count(*) as uses
    from instrument_uses
    group by practice, treatment_id, canal
),

flagged as (
    select i.practice, i.incident_id, m.rules
    from incidents as i
    inner join record_flags as m on m.kind = 'incidents' and m.batch_id = i.batch_id and m.record_no = i.record_no
),

known as (
    select
        e.practice,
        e.treatment_id,
        e.canal,
        e.instrument_id,
        coalesce(cast(i.occurred_at as date), cast(u.started_at as date), b.started_on) as happened_on,
        coalesce(u.size, n.size) as size,
        coalesce(u.motion, n.motion) as motion,
        coalesce(f.rules, '') || coalesce(b.flags, '') as flags,
        case
            when e.use_id is not null or k.uses is not null then null
            when e.canal is null then 'separation that names no canal'
            else 'separation in a canal without a recorded use'
        end as without_use,
        case
            when c.canal is not null and c.not_treated is null then null
            else 'separation that names no canal, or one that is not among those instrumented'
        end as without_canal,
        case when b.treatment_id is null then 'separation in a tooth whose treatment is not in the store' end
            as without_tooth,
        case
            when n.instrument_id is not null then null
            when coalesce(u.motion, 'rotation') <> 'rotation' then null
            else 'separation of an instrument without a serial number, or not recorded in the canal'
        end as without_serial
    from separation_events as e
    left join incidents as i
        on i.practice = e.practice and i.incident_id = coalesce(e.incident_id, e.reported_as)
    left join flagged as f on f.practice = i.practice and f.incident_id = i.incident_id
    left join use_base as u on u.practice = e.practice and u.use_id = e.use_id
    left join treatment_base as b on b.practice = e.practice and b.treatment_id = e.treatment_id
    left join canal_base as c on c.practice = e.practice and c.treatment_id = e.treatment_id and c.canal = e.canal
    left join uses_of_canals as k
        on k.practice = e.practice and k.treatment_id = e.treatment_id and k.canal = e.canal
    left join instrument_canals as n
        on
            n.practice = e.practice
            and n.instrument_id = e.instrument_id
            and n.treatment_id = e.treatment_id
            and n.canal = e.canal
    union all
    select
        i.practice,
        i.treatment_id,
        i.canal,
        i.instrument_id,
        coalesce(cast(i.occurred_at as date), b.started_on) as happened_on,
        cast(null as integer) as size,
        cast(null as varchar) as motion,
        coalesce(f.rules, '') || coalesce(b.flags, '') as flags,
        'incident whose kind is not recorded: it may be a separation' as without_use,
        'incident whose kind is not recorded: it may be a separation' as without_canal,
        'incident whose kind is not recorded: it may be a separation' as without_tooth,
        'incident whose kind is not recorded: it may be a separation' as without_serial
    from incidents as i
    left join flagged as f on f.practice = i.practice and f.incident_id = i.incident_id
    left join treatment_base as b on b.practice = i.practice and b.treatment_id = i.treatment_id
    where i.kind is null
)

select *
from known
where
    without_use is not null
    or without_canal is not null
    or without_tooth is not null
    or without_serial is not null
