-- Every incident on one line, and separations that only the uses know of. `outside` names what of the canal's own
-- sequence was not kept: `nothing` where none was, null where the catalogue has no such sequence or the canal is not told.
with held as (
    select
        practice,
        treatment_id,
        canal,
        max(case when check_name = 'glide path' and met = 0 then 'glide path' end) as glide_path,
        max(case when check_name = 'order of steps' and met = 0 then 'order of steps' end) as order_of_steps,
        max(case when check_name = 'depth of steps' and met = 0 then 'depth of steps' end) as depth_of_steps,
        max(case when check_name = 'speed' and met = 0 then 'speed' end) as speed,
        max(case when check_name = 'torque' and met = 0 then 'torque' end) as torque,
        max(case when check_name = 'irrigation' and met = 0 then 'irrigation' end) as irrigation,
        max(case when check_name = 'length confirmed' and met = 0 then 'length not confirmed' end) as length_confirmed,
        max(case when check_name = 'apical gauging' and met = 0 then 'no apical gauging' end) as apical_gauging,
        max(case when check_name = 'final size' and met = 0 then 'final size' end) as final_size
    from adherence_facts
    where check_name is not null
    group by practice, treatment_id, canal
)

select
    f.happened_on,
    f.incident_id,
    f.incident,
    f.treatment_id,
    f.dentist,
    f.tooth,
    f.tooth_type,
    f.tooth_group,
    f.canal,
    f.canal_third,
    f.curvature_deg,
    f.sequence,
    f.instrument_id,
    f.size,
    f.motion,
    f.use_number,
    i.use_limit,
    case
        when h.treatment_id is not null
            then coalesce(nullif(concat_ws(
                ', ',
                case when x.too_curved = 1 then 'curvature beyond the indication' end,
                case when x.other_width = 1 then 'width outside the indication' end,
                case when f.use_number > i.use_limit then 'use limit' end,
                h.glide_path,
                h.order_of_steps,
                h.depth_of_steps,
                h.speed,
                h.torque,
                h.irrigation,
                h.length_confirmed,
                h.apical_gauging,
                h.final_size
            ), ''), 'nothing')
    end as outside,
    f.fragment_mm,
    f.width_at_break_mm,
    f.managed,
    f.patient_informed,
    t.outcome_class as outcome,
    t.last_seen_on
from incident_facts as f
left join tooth_facts as t on t.practice = f.practice and t.treatment_id = f.treatment_id
left join instruments as i on i.practice = f.practice and i.instrument_id = f.instrument_id
left join held as h on h.practice = f.practice and h.treatment_id = f.treatment_id and h.canal = f.canal
left join canal_indication as x on x.practice = f.practice and x.treatment_id = f.treatment_id and x.canal = f.canal
