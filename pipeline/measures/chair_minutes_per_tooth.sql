-- A visit's minutes are divided equally among the treatments that were worked on in it.
with each_visit as (
    select
        practice,
        visit_id,
        date_diff('second', min(seated_at), max(left_at)) / 60.0 / count(distinct treatment_id) as minutes
    from visits
    where cast(seated_at as date) <= date '${as_of}'
    group by practice, visit_id
),

sat as (
    select
        v.practice,
        v.treatment_id,
        sum(e.minutes) as minutes
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
        when not f.completed then 'treatment not completed'
        when s.minutes is null then 'no visit recorded'
    end as left_out
from tooth_facts as f
left join sat as s on s.practice = f.practice and s.treatment_id = f.treatment_id
