-- Instrumented canals, and incidents. What happens in a canal is counted where that canal is instrumented; what
-- concerns the tooth as much (a perforation, a missed canal) is counted also where no canal is named.
with counted as (
    select
        f.practice,
        f.treatment_id,
        f.canal,
        f.happened_on,
        f.flags,
        cast(null as varchar) as incident,
        0 as numerator,
        1 as exposure,
        case when r.practice is null then f.not_watched end as left_out
    from canal_facts as f
    left join (select distinct practice from incidents) as r on r.practice = f.practice
    union all
    select
        i.practice,
        i.treatment_id,
        i.canal,
        coalesce(c.happened_on, i.happened_on) as happened_on,
        i.flags || coalesce(c.flags, '') as flags,
        i.incident,
        1 as numerator,
        0 as exposure,
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
    x.*,
    k.happened_on,
    k.flags,
    k.incident,
    k.numerator,
    k.exposure,
    x.patient_id as cluster,
    k.left_out
from counted as k
inner join canal_case_mix as x
    on x.practice = k.practice and x.treatment_id = k.treatment_id and x.canal is not distinct from k.canal
