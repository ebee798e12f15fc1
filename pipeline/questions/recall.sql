-- Teeth due for follow-up on a day, those at risk first.
with waiting as (
    select
        f.treatment_id,
        f.dentist,
        f.tooth,
        f.completed_on,
        case when f.last_seen_on >= f.completed_on then f.last_seen_on end as last_seen_on,
        f.lesion,
        f.incidents,
        f.separations,
        f.outcome_class,
        f.intervention,
        f.last_seen_on >= f.completed_on + to_months($window_from) as was_seen
    from tooth_facts as f
    where f.completed and not f.lost and f.exfoliated_on is null and f.retreated_on is null
),

dated as (
    select
        *,
        case
            when was_seen then cast(last_seen_on + to_months($every) as date)
            else cast(completed_on + to_months($after) as date)
        end as due_since,
        case
            when was_seen then cast(last_seen_on + to_months($every_late) as date)
            else cast(completed_on + to_months($window_to) as date)
        end as overdue_after
    from waiting
    where not coalesce(was_seen, false) or outcome_class in ('healing', 'uncertain', 'not healed')
)

select
    treatment_id,
    dentist,
    tooth,
    case when overdue_after < $as_of then 'overdue' else 'due' end as state,
    due_since,
    date_diff('day', due_since, $as_of) as days,
    case
        when was_seen and intervention is not null then 'operated on after treatment'
        when was_seen then outcome_class || ' when last seen'
        else 'first follow-up'
    end as reason,
    lesion,
    incidents,
    separations,
    completed_on,
    last_seen_on
from dated
where due_since <= $as_of and (not coalesce(was_seen, false) or due_since <= completed_on + to_months($followed))
order by
    case when incidents > 0 then 0 else 1 end,
    case when lesion = 'yes' then 0 else 1 end,
    due_since,
    treatment_id
