-- One row a visit of a treatment, with the next visit of the same treatment and what brought the patient to it.
with each_visit as (
    select
        v.practice,
        v.visit_id,
        v.treatment_id,
        v.reason,
        v.seated_at,
        v.left_at,
        lead(v.seated_at) over (
            partition by v.practice, v.treatment_id order by v.seated_at, v.visit_id
        ) as next_seated_at,
        lead(v.reason) over (
            partition by v.practice, v.treatment_id order by v.seated_at, v.visit_id
        ) as next_reason,
        coalesce(m.rules, '') as flags
    from visits as v
    left join record_flags as m on m.kind = 'visits' and m.batch_id = v.batch_id and m.record_no = v.record_no
    where cast(v.seated_at as date) <= date '${as_of}'
),

known as (
    select
        e.*,
        date_diff('day', cast(e.seated_at as date), cast(e.next_seated_at as date)) as days_to_next,
        date_diff('day', cast(e.seated_at as date), date '${as_of}') as days_known
    from each_visit as e
)

select
    x.*,
    k.visit_id,
    cast(k.seated_at as date) as happened_on,
    k.flags || coalesce(b.flags, '') as flags,
    k.seated_at,
    k.left_at,
    k.next_seated_at,
    k.days_known,
    -- The next visit within seven days was for pain or swelling: 1 or 0, empty while it cannot be told. An event counts
    -- once, at the visit before it.
    case
        when k.days_to_next <= 7 and k.next_reason is null then null
        when k.days_to_next <= 7 and k.next_reason = 'pain or swelling' then 1
        when k.days_to_next is not null then 0
        when k.days_known < 7 then null
        else 0
    end as flare_up
from known as k
inner join treatment_case_mix as x on x.practice = k.practice and x.treatment_id = k.treatment_id
inner join treatment_base as b on b.practice = k.practice and b.treatment_id = k.treatment_id
