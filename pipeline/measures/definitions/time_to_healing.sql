-- One row a tooth with a lesion before treatment: the last day on which it was known not to be healed yet (0 where there
-- is none: at completion the lesion was there) and the first follow-up at which it was healed. A tooth on which one had
-- to intervene before it was seen healed never healed by this treatment: that is known up to ${as_of}.
with judged as (
    select f.practice, f.treatment_id, f.months, f.state
    from follow_up_facts as f
    inner join tooth_facts as t on t.practice = f.practice and t.treatment_id = f.treatment_id
    where f.state is not null and f.months > 0 and (t.intervened_on is null or f.seen_on < t.intervened_on)
),

looks as (
    select
        practice,
        treatment_id,
        min(months) as first_look,
        max(months) as last_look,
        min(case when state = 'healed' then months end) as healed_by
    from judged
    group by practice, treatment_id
),

last_not_healed as (
    select j.practice, j.treatment_id, max(j.months) as not_healed_at
    from judged as j
    inner join looks as k on k.practice = j.practice and k.treatment_id = j.treatment_id
    where j.state = 'not healed' and (k.healed_by is null or j.months < k.healed_by)
    group by j.practice, j.treatment_id
),

known as (
    select
        t.practice,
        t.treatment_id,
        k.healed_by,
        k.first_look,
        k.last_look,
        coalesce(n.not_healed_at, 0) as not_healed_at,
        case
            when k.healed_by is null then date_diff('day', t.completed_on, t.intervened_on) / 30.4375e0
        end as failed_at,
        date_diff('day', t.completed_on, date '${as_of}') / 30.4375e0 as until_now
    from tooth_facts as t
    left join looks as k on k.practice = t.practice and k.treatment_id = t.treatment_id
    left join last_not_healed as n on n.practice = t.practice and n.treatment_id = t.treatment_id
)

select
    f.*,
    f.completed_on as happened_on,
    case when k.failed_at is null then k.not_healed_at else k.until_now end as after,
    k.healed_by as by_then,
    coalesce(k.first_look, case when k.failed_at > 0 then k.failed_at end) as first_look,
    coalesce(k.failed_at, k.last_look) as last_look,
    f.patient_id as cluster,
    case
        when not f.completed then f.not_completed
        when f.other_care is not null then f.other_care
        when f.lesion is null then 'lesion before treatment not recorded'
        when f.lesion = 'no' then 'no lesion before treatment'
        when k.healed_by is null and k.not_healed_at <= 0 and k.failed_at is null then 'never judged after completion'
    end as left_out
from tooth_facts as f
inner join known as k on k.practice = f.practice and k.treatment_id = f.treatment_id
