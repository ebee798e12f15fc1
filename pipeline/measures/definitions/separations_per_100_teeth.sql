-- Treatments; and separations that no treatment can count, which are left out with the reason.
select
    f.practice,
    f.treatment_id,
    f.patient_id,
    f.dentist,
    f.sequence,
    f.tooth,
    f.tooth_type,
    f.tooth_group,
    f.arch,
    f.kind,
    f.lesion,
    f.curvature_class,
    f.status,
    f.started_on as happened_on,
    f.flags,
    f.separations as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when f.canals_instrumented = 0 and f.uses = 0 and f.separations = 0 then 'no canal or instrument recorded'
        else w.not_watched
    end as left_out
from tooth_facts as f
left join results_told as w on w.practice = f.practice
union all
select
    p.practice,
    p.treatment_id,
    p.patient_id,
    p.dentist,
    p.sequence,
    p.tooth,
    p.tooth_type,
    p.tooth_group,
    p.arch,
    p.kind,
    p.lesion,
    p.curvature_class,
    cast(null as varchar) as status,
    p.happened_on,
    p.flags,
    1 as numerator,
    0 as denominator,
    p.patient_id as cluster,
    p.without_tooth as left_out
from separations_not_placed as p
where p.without_tooth is not null
