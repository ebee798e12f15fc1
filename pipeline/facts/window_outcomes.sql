-- One row a treatment: how its tooth did in a fixed window after completion, as known on ${as_of}. The window is
-- ${compare_from_months} to ${compare_to_months} calendar months, its first and last day included. A later intervention up to its end is a failure,
-- seen or not. Else the review in the window that can be judged and is nearest to its middle tells: so review times of two
-- groups are as alike as they can be.
with reviews as (
    select
        f.practice,
        f.treatment_id,
        f.follow_up_id,
        f.seen_on,
        f.months,
        -- Film and recorded signs are read as elsewhere (follow_up_facts); CBCT can tell a tooth healed, no more.
        case
            when f.state is not null then f.state
            when
                f.image = 'cbct'
                and f.pai <= 2
                and (
                    u.pain is not null or u.tenderness is not null or u.swelling is not null or u.sinus_tract is not null
                )
                then 'healed'
        end as state,
        case when f.state is null and f.image = 'cbct' then 'cbct' else 'periapical' end as assessed_on,
        abs(
            date_diff('day', t.completed_on + interval '${compare_from_months}' month, f.seen_on)
            - date_diff('day', f.seen_on, t.completed_on + interval '${compare_to_months}' month)
        ) as from_middle
    from follow_up_facts as f
    inner join follow_ups as u
        on u.practice = f.practice and u.treatment_id = f.treatment_id and u.follow_up_id = f.follow_up_id
    inner join treatment_base as t on t.practice = f.practice and t.treatment_id = f.treatment_id
    where
        f.seen_on >= t.completed_on + interval '${compare_from_months}' month
        and f.seen_on <= t.completed_on + interval '${compare_to_months}' month
),

chosen as (
    select practice, treatment_id, seen_on, months, state, assessed_on
    from (
        select
            practice,
            treatment_id,
            seen_on,
            months,
            state,
            assessed_on,
            row_number() over (
                partition by practice, treatment_id
                order by
                    case when state is null then 1 else 0 end,
                    case when assessed_on = 'cbct' then 1 else 0 end,
                    from_middle,
                    seen_on desc,
                    follow_up_id desc
            ) as place
        from reviews
    ) as each_review
    where place = 1
),

closing as (
    select
        t.practice,
        t.treatment_id,
        t.completed_on,
        t.completed,
        t.lost,
        t.lost_on,
        t.lost_reason,
        t.exfoliated_on,
        t.completed_on + interval '${compare_to_months}' month as closes_on,
        coalesce(t.intervened_on <= t.completed_on + interval '${compare_to_months}' month, false) as intervened,
        c.seen_on,
        c.months,
        c.state,
        c.assessed_on,
        o.lesion_mm
    from tooth_facts as t
    left join chosen as c on c.practice = t.practice and c.treatment_id = t.treatment_id
    left join treatments as o on o.practice = t.practice and o.treatment_id = t.treatment_id
)

select
    practice,
    treatment_id,
    -- Early failures are not counted before their peers can be seen: the whole window must have passed.
    completed and closes_on <= date '${as_of}' as window_closed,
    seen_on as window_seen_on,
    months as window_months,
    case when intervened then 'periapical' else coalesce(assessed_on, 'periapical') end as window_image,
    lesion_mm,
    case
        when intervened then 0
        when state = 'healed' then 1
        when state = 'not healed' then 0
    end as window_healed,
    case
        when intervened or state is not null then null
        when lost and lost_on <= closes_on and lost_reason is null then 'lost before a review, reason not recorded'
        when lost and lost_on <= closes_on then 'lost before a review, for another reason'
        when exfoliated_on <= closes_on then 'exfoliated before a review'
        when seen_on is not null then 'seen in the window, but the outcome cannot be told'
        else 'not seen in the window'
    end as window_unseen
from closing
