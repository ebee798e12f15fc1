-- Engine-driven uses with the lot of their instrument: as the use has it, else as the list of instruments has it. And
-- separations that no use can count, which are left out with the reason.
select
    f.patient_id,
    f.happened_on,
    f.dentist,
    f.sequence,
    f.canal,
    f.tooth,
    f.tooth_type,
    f.tooth_group,
    f.arch,
    f.kind,
    f.lesion,
    f.curvature_class,
    f.size,
    f.motion,
    f.flags,
    coalesce(u.lot, i.lot) as lot,
    f.separations as numerator,
    f.patient_id as cluster,
    case
        when f.not_engine_driven is not null then f.not_engine_driven
        when f.not_watched is not null then f.not_watched
        when coalesce(u.lot, i.lot) is null then 'lot not recorded'
    end as left_out
from use_facts as f
left join instrument_uses as u on u.practice = f.practice and u.use_id = f.use_id
left join instruments as i on i.practice = f.practice and i.instrument_id = f.instrument_id
union all
select
    p.patient_id,
    p.happened_on,
    p.dentist,
    p.sequence,
    p.canal,
    p.tooth,
    p.tooth_type,
    p.tooth_group,
    p.arch,
    p.kind,
    p.lesion,
    p.curvature_class,
    p.size,
    p.motion,
    p.flags,
    i.lot,
    1 as numerator,
    p.patient_id as cluster,
    p.without_use as left_out
from separations_not_placed as p
left join instruments as i on i.practice = p.practice and i.instrument_id = p.instrument_id
where p.without_use is not null
