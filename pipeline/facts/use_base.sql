-- One row a use with its instrument as the use names it, else as the list of instruments has it. A result that is empty
-- or "not inspected" is no result: nobody looked. `not_engine_driven` says why a use is not, or may not be, one of a
-- motor that turns (rotation, reciprocation, or both: mixed).
with known as (
    select
        u.practice,
        u.use_id,
        u.treatment_id,
        u.canal,
        u.step,
        u.instrument_id,
        u.lot,
        coalesce(u.size, i.size) as size,
        coalesce(u.taper, i.taper) as taper,
        coalesce(u.motion, i.motion) as motion,
        u.started_at,
        u.seconds,
        u.speed_rpm,
        u.torque_ncm,
        u.peak_torque_ncm,
        u.depth_mm,
        u.irrigant_ml,
        nullif(u.result, 'not inspected') as result,
        u.batch_id,
        u.record_no
    from instrument_uses as u
    left join instruments as i on i.practice = u.practice and i.instrument_id = u.instrument_id
)

select
    k.*,
    case
        when k.motion = 'hand' then 'hand instrument'
        when k.motion = 'ultrasonic' then 'ultrasonic instrument'
        when k.motion is null then 'motion not recorded'
        when k.motion not in ('rotation', 'reciprocation', 'mixed')
            then 'another motion: whether the instrument was engine-driven is not known'
    end as not_engine_driven
from known as k
