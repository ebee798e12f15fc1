-- A visit's minutes are divided equally among the treatments that were worked on in it.
with each_visit as (
    select
        practice,
        visit_id,
        (max(left_second) - min(seated_second)) / 60.0 / count(distinct treatment_id) as minutes,
        max(clock_in_doubt) as clock_in_doubt
    from visit_times
    where cast(seated_at as date) <= date '${as_of}'
    group by practice, visit_id
),

sat as (
    select
        v.practice,
        v.treatment_id,
        sum(e.minutes) as minutes,
        max(e.clock_in_doubt) as clock_in_doubt
    from (select distinct practice, visit_id, treatment_id from visits) as v
    inner join each_visit as e on e.practice = v.practice and e.visit_id = v.visit_id
    group by v.practice, v.treatment_id
)

select
    f.*,
    f.completed_on as happened_on,
    s.minutes as value,
    f.patient_id as cluster,
    case
        when not f.completed then f.not_completed
        when s.minutes is null then 'no visit recorded'
        when s.clock_in_doubt = 1 then 'a visit begins or ends in the hour in which the clock was changed'
    end as left_out
from tooth_facts as f
left join sat as s on s.practice = f.practice and s.treatment_id = f.treatment_id
