-- One row an instrumented canal with its separations; and one, without exposure, a separation that none of them can count:
-- `not_placed` says why. What affects a canal of canal_facts affects it here (expectations/across.json).
with counted as (
    select
        practice,
        treatment_id,
        canal,
        happened_on,
        flags,
        separations,
        1 as exposure,
        not_watched,
        cast(null as varchar) as not_placed
    from canal_facts
    union all
    select
        practice,
        treatment_id,
        canal,
        happened_on,
        flags,
        1 as separations,
        0 as exposure,
        cast(null as varchar) as not_watched,
        without_canal as not_placed
    from separations_not_placed
    where without_canal is not null
)

select
    x.*,
    k.happened_on,
    k.flags,
    k.separations,
    k.exposure,
    k.not_watched,
    k.not_placed
from counted as k
inner join canal_case_mix as x
    on x.practice = k.practice and x.treatment_id = k.treatment_id and x.canal is not distinct from k.canal
