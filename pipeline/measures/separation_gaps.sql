-- Instrumented canals in order of time, with their separations.
select
    f.*,
    f.separations as numerator,
    coalesce(b.started_at, cast(f.happened_on as timestamp)) as happened_at,
    case when f.happened_on is null then 'no date' end as left_out
from canal_facts as f
left join canal_base as b on b.practice = f.practice and b.treatment_id = f.treatment_id and b.canal = f.canal
