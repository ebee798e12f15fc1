-- Instrumented canals; and separations that no canal can count, which are left out with the reason.
select
    f.practice,
    f.treatment_id,
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
    f.flags,
    f.separations as numerator,
    1 as denominator,
    f.patient_id as cluster,
    f.not_watched as left_out
from canal_facts as f
union all
select
    p.practice,
    p.treatment_id,
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
    p.flags,
    1 as numerator,
    0 as denominator,
    p.patient_id as cluster,
    p.without_canal as left_out
from separations_not_placed as p
where p.without_canal is not null
