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
left join results_recorded as w on w.practice = f.practice
union all
select
    p.practice,
    p.treatment_id,
    x.patient_id,
    x.dentist,
    x.sequence,
    x.tooth,
    x.tooth_type,
    x.tooth_group,
    x.arch,
    x.kind,
    x.lesion,
    x.curvature_class,
    cast(null as varchar) as status,
    p.happened_on,
    p.flags,
    1 as numerator,
    0 as denominator,
    x.patient_id as cluster,
    p.without_tooth as left_out
from separations_not_placed as p
inner join canal_case_mix as x
    on x.practice = p.practice and x.treatment_id = p.treatment_id and x.canal is not distinct from p.canal
where p.without_tooth is not null
