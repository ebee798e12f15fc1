-- One row a tooth with a lesion before treatment: the last follow-up at which it was not healed yet (0 where there is
-- none: at completion the lesion was there) and the first at which it was.
with first_healed as (
    select practice, treatment_id, min(months) as healed_by
    from follow_up_facts
    where state = 'healed' and months > 0
    group by practice, treatment_id
),

last_not_healed as (
    select f.practice, f.treatment_id, max(f.months) as not_healed_at
    from follow_up_facts as f
    left join first_healed as h on h.practice = f.practice and h.treatment_id = f.treatment_id
    where f.state = 'not healed' and f.months > 0 and (h.healed_by is null or f.months < h.healed_by)
    group by f.practice, f.treatment_id
),

known as (
    select
        t.practice,
        t.treatment_id,
        h.healed_by,
        greatest(
            coalesce(n.not_healed_at, 0),
            case
                when h.healed_by is null and t.lost and t.lost_reason = 'endodontic'
                    then date_diff('day', t.completed_on, t.lost_on) / 30.4375
                else 0
            end
        ) as not_healed_at
    from tooth_facts as t
    left join first_healed as h on h.practice = t.practice and h.treatment_id = t.treatment_id
    left join last_not_healed as n on n.practice = t.practice and n.treatment_id = t.treatment_id
)

select
    f.*,
    f.completed_on as happened_on,
    k.not_healed_at as after,
    k.healed_by as by_then,
    f.patient_id as cluster,
    case
        when not f.completed then 'treatment not completed'
        when f.lesion is null then 'lesion before treatment not recorded'
        when f.lesion = 'no' then 'no lesion before treatment'
        when k.healed_by is null and k.not_healed_at <= 0 then 'never judged after completion'
    end as left_out
from tooth_facts as f
inner join known as k on k.practice = f.practice and k.treatment_id = f.treatment_id
