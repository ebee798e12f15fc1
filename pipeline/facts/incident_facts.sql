-- One row an incident: what is reported, and separations that only the uses know of. A separation that stands in both
-- tables is one row, which takes from either what the other leaves open.
with every_one as (
    select
        i.practice,
        i.incident_id,
        e.use_id,
        i.treatment_id,
        coalesce(i.canal, e.canal) as canal,
        coalesce(i.instrument_id, e.instrument_id) as instrument_id,
        i.kind as incident,
        i.occurred_at,
        i.canal_third,
        i.fragment_mm,
        i.managed,
        i.patient_informed,
        case when e.use_id is null then 'incident' else 'both' end as recorded_in,
        coalesce(m.rules, '') as flags
    from incidents as i
    left join separation_events as e on e.practice = i.practice and e.reported_as = i.incident_id
    left join record_flags as m on m.kind = 'incidents' and m.batch_id = i.batch_id and m.record_no = i.record_no
    union all
    select
        practice,
        cast(null as varchar) as incident_id,
        use_id,
        treatment_id,
        canal,
        instrument_id,
        'separation' as incident,
        cast(null as timestamp) as occurred_at,
        cast(null as varchar) as canal_third,
        cast(null as double) as fragment_mm,
        cast(null as varchar) as managed,
        cast(null as boolean) as patient_informed,
        'use' as recorded_in,
        '' as flags
    from separation_events
    where use_id is not null and reported_as is null
),

known as (
    select
        x.*,
        e.incident_id,
        e.use_id,
        e.instrument_id,
        e.incident,
        coalesce(e.occurred_at, u.started_at, x.begun_at) as occurred_at,
        e.canal_third,
        e.fragment_mm,
        e.managed,
        e.patient_informed,
        e.recorded_in,
        coalesce(u.size, n.size, i.size) as size,
        case when u.use_id is not null then u.taper else i.taper end as taper,
        coalesce(u.motion, n.motion, i.motion) as motion,
        n.use_number,
        coalesce(u.lot, i.lot) as lot,
        e.flags || x.treatment_flags as flags
    from every_one as e
    inner join canal_case_mix as x
        on x.practice = e.practice and x.treatment_id = e.treatment_id and x.canal is not distinct from e.canal
    left join use_base as u on u.practice = e.practice and u.use_id = e.use_id
    left join instrument_canals as n
        on
            n.practice = e.practice
            and n.instrument_id = e.instrument_id
            and n.treatment_id = e.treatment_id
            and n.canal = e.canal
    left join instruments as i on i.practice = e.practice and i.instrument_id = e.instrument_id
)

select
    k.*,
    cast(k.occurred_at as date) as happened_on,
    -- Nominal, by size and taper as marked (ISO 3630-1: D0 + taper x length from the tip), within the working part of 16 mm
    -- that the standard asks for at least. Where an instrument has several tapers it is only near.
    case
        when k.incident = 'separation' and k.fragment_mm > 0 and k.fragment_mm <= 16
            then k.size / 100.0 + k.taper * k.fragment_mm
    end as width_at_break_mm
from known as k
