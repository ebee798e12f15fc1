-- One row a visit and day (1, 3, 7) with the score that stands for that day: the nearest contact within a day of it, the
-- earlier one of two as near. A contact belongs to the last visit before it.
with answers as (
    select
        v.practice,
        v.visit_id,
        v.treatment_id,
        c.contact_id,
        c.pain_score,
        date_diff('day', cast(v.seated_at as date), cast(c.contacted_at as date)) as days_after
    from treatment_visits as v
    inner join contacts as c on c.practice = v.practice and c.treatment_id = v.treatment_id
    where
        c.pain_score is not null
        and cast(c.contacted_at as date) <= date '${as_of}'
        and c.contacted_at >= v.left_at
        and (v.next_seated_at is null or c.contacted_at < v.next_seated_at)
),

days as (
    select 1 as day
    union all
    select 3 as day
    union all
    select 7 as day
),

nearest as (
    select
        a.practice,
        a.visit_id,
        a.treatment_id,
        d.day,
        a.pain_score,
        row_number() over (
            partition by a.practice, a.visit_id, a.treatment_id, d.day
            order by abs(a.days_after - d.day), a.days_after, a.contact_id
        ) as place
    from answers as a
    inner join days as d on abs(a.days_after - d.day) <= 1
)

select
    v.*,
    d.day,
    n.pain_score as value,
    v.patient_id as cluster,
    case
        when v.days_known < d.day then 'that day is still to come'
        when n.pain_score is null then 'no pain score recorded within a day of that day'
    end as left_out
from treatment_visits as v
cross join days as d
left join nearest as n
    on
        n.practice = v.practice
        and n.visit_id = v.visit_id
        and n.treatment_id = v.treatment_id
        and n.day = d.day
        and n.place = 1
