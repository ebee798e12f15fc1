-- Instrumented canals, and incidents. What happens in a canal is counted where that canal is instrumented; what
-- concerns the tooth as much (a perforation, a missed canal) is counted also where no canal is named.
with placed as (
    select
        coalesce(c.happened_on, i.happened_on) as happened_on,
        coalesce(c.patient_id, i.patient_id) as patient_id,
        coalesce(c.dentist, i.dentist) as dentist,
        coalesce(c.sequence, i.sequence) as sequence,
        i.canal,
        i.tooth,
        i.tooth_type,
        i.tooth_group,
        i.arch,
        i.kind,
        i.lesion,
        i.curvature_class,
        i.incident,
        i.flags || coalesce(c.flags, '') as flags,
        case
            when c.canal is not null then null
            when i.incident in ('separation', 'ledge', 'transportation', 'blockage', 'over-instrumentation')
                then 'incident that names no canal, or one that was not instrumented'
            when t.canals_instrumented is null or t.canals_instrumented = 0
                then 'incident in a tooth without an instrumented canal'
        end as left_out
    from incident_facts as i
    left join canal_facts as c on c.practice = i.practice and c.treatment_id = i.treatment_id and c.canal = i.canal
    left join treatment_base as t on t.practice = i.practice and t.treatment_id = i.treatment_id
)

select
    happened_on,
    dentist,
    sequence,
    canal,
    tooth,
    tooth_type,
    tooth_group,
    arch,
    kind,
    lesion,
    curvature_class,
    flags,
    cast(null as varchar) as incident,
    0 as numerator,
    1 as exposure,
    patient_id as cluster,
    case when r.practice is null then not_watched end as left_out
from canal_facts as f
left join (select distinct practice from incidents) as r on r.practice = f.practice
union all
select
    happened_on,
    dentist,
    sequence,
    canal,
    tooth,
    tooth_type,
    tooth_group,
    arch,
    kind,
    lesion,
    curvature_class,
    flags,
    incident,
    1 as numerator,
    0 as exposure,
    patient_id as cluster,
    left_out
from placed
