-- Uses; and separations that no use can count, which are left out with the reason.
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
    f.separations as numerator,
    1 as exposure,
    f.patient_id as cluster,
    f.not_watched as left_out
from use_facts as f
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
    1 as numerator,
    0 as exposure,
    p.patient_id as cluster,
    p.without_use as left_out
from separations_not_placed as p
where p.without_use is not null
