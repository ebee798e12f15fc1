-- Instrumented canals in order of time, with their separations; and those that no canal can count, left out.
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
    coalesce(b.started_at, cast(f.happened_on as timestamp)) as happened_at,
    case when f.happened_on is null then 'no date' else f.not_watched end as left_out
from canal_facts as f
left join canal_base as b on b.practice = f.practice and b.treatment_id = f.treatment_id and b.canal = f.canal
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
    cast(p.happened_on as timestamp) as happened_at,
    p.without_canal as left_out
from separations_not_placed as p
where p.without_canal is not null
