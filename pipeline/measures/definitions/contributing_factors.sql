-- Instrumented canals: whether an incident happened, and which factors were present (1), absent (0), or not told (null).
with happened as (
    select
        practice,
        treatment_id,
        canal,
        1 as any_incident,
        max(case when incident = 'separation' then 1 else 0 end) as separation
    from incident_facts
    where canal is not null
    group by practice, treatment_id, canal
),

checked as (
    select
        practice,
        treatment_id,
        canal,
        max(case when check_name = 'speed' then 1 - met end) as speed_outside,
        max(case when check_name = 'torque' then 1 - met end) as torque_set_too_high,
        max(case when check_name = 'glide path' then 1 - met end) as no_glide_path,
        max(case when check_name = 'order of steps' then 1 - met end) as out_of_order,
        max(case when check_name = 'depth of steps' then 1 - met end) as too_deep
    from adherence_facts
    group by practice, treatment_id, canal
),

-- What stands in the catalogue holds where the list of instruments gives no limit.
limits as (
    select
        sequence,
        size,
        cast(round(taper * 1000) as integer) as taper_thousandths,
        motion,
        min(use_limit) as use_limit
    from catalogue_steps
    group by sequence, size, cast(round(taper * 1000) as integer), motion
),

uses as (
    select
        u.practice,
        u.treatment_id,
        u.canal,
        case when u.peak_torque_ncm > u.torque_ncm then 1 when u.peak_torque_ncm <= u.torque_ncm then 0 end as peak_over,
        case
            when n.use_number > coalesce(i.use_limit, s.use_limit) then 1
            when n.use_number <= coalesce(i.use_limit, s.use_limit) then 0
        end as over_limit,
        case when u.irrigant_ml = 0 then 1 when u.irrigant_ml > 0 then 0 end as dry,
        row_number() over (
            partition by u.practice, u.treatment_id, u.canal order by u.step desc, u.started_at desc, u.use_id desc
        ) as from_last
    from use_base as u
    left join canal_base as c on c.practice = u.practice and c.treatment_id = u.treatment_id and c.canal = u.canal
    left join instrument_canals as n
        on
            n.practice = u.practice
            and n.instrument_id = u.instrument_id
            and n.treatment_id = u.treatment_id
            and n.canal = u.canal
    left join instruments as i on i.practice = u.practice and i.instrument_id = u.instrument_id
    left join limits as s
        on
            s.sequence = c.sequence
            and s.size = u.size
            and s.taper_thousandths = cast(round(u.taper * 1000) as integer)
            and s.motion = u.motion
),

used as (
    select
        practice,
        treatment_id,
        canal,
        max(peak_over) as peak_over,
        max(over_limit) as use_over_limit,
        -- After the last instrument nothing follows for which the canal would be dry.
        max(case when from_last > 1 then dry end) as not_irrigated
    from uses
    group by practice, treatment_id, canal
)

select
    f.*,
    f.patient_id as cluster,
    coalesce(h.any_incident, 0) as any_incident,
    coalesce(h.separation, 0) as separation,
    k.speed_outside,
    case
        when k.torque_set_too_high = 1 or u.peak_over = 1 then 1
        when k.torque_set_too_high = 0 or u.peak_over = 0 then 0
    end as torque_over,
    u.use_over_limit,
    k.no_glide_path,
    k.out_of_order,
    k.too_deep,
    u.not_irrigated,
    case when f.curvature_deg >= 25 then 1 when f.curvature_deg < 25 then 0 end as curved,
    f.not_watched as left_out
from canal_facts as f
left join happened as h on h.practice = f.practice and h.treatment_id = f.treatment_id and h.canal = f.canal
left join checked as k on k.practice = f.practice and k.treatment_id = f.treatment_id and k.canal = f.canal
left join used as u on u.practice = f.practice and u.treatment_id = f.treatment_id and u.canal = f.canal
