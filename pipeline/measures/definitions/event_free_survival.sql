-- A tooth is watched for retreatment up to ${as_of}, since retreatments stand in the practice's own records, and for
-- surgery and extraction up to the day it was last seen: a row of each, as far as it is watched for it at all.
with first_events as (
    select
        f.*,
        case when f.lost and f.lost_reason is distinct from 'exfoliated' then f.lost_on end as extracted_on,
        -- A primary tooth falls out, often unseen: whether it is still there to be treated again is known when it is seen.
        case
            when f.tooth >= 51 or (f.lost and f.lost_reason = 'exfoliated') then f.last_seen_on
            else date '${as_of}'
        end as known_until
    from tooth_facts as f
),

teeth as (
    select
        e.*,
        least(e.retreated_on, e.surgery_on, e.extracted_on) as event_on,
        -- Of two on one day the last step counts.
        case
            when least(e.surgery_on, e.extracted_on) <= coalesce(e.retreated_on, least(e.surgery_on, e.extracted_on))
                then 'surgery or extraction'
            when e.retreated_on is not null then 'retreatment'
        end as first_event,
        case when e.lost then least(e.last_seen_on, e.lost_on) else e.last_seen_on end as seen_until
    from first_events as e
),

watched as (
    select t.*, 'retreatment' as watched_for, t.known_until as watched_until
    from teeth as t
    union all
    select t.*, 'surgery or extraction' as watched_for, t.seen_until as watched_until
    from teeth as t
)

select
    w.*,
    w.practice || '/' || w.treatment_id as unit,
    w.completed_on as happened_on,
    w.patient_id as cluster,
    date_diff(
        'day',
        w.completed_on,
        case when w.first_event = w.watched_for then w.event_on else least(w.event_on, w.watched_until) end
    ) / 30.4375e0 as time,
    case when w.first_event = w.watched_for then 1 else 0 end as event,
    case
        when not w.completed then w.not_completed
        when w.other_care is not null then w.other_care
        when w.event_on < w.completed_on then 'event before completion: dates contradict each other'
    end as left_out
from watched as w
where
    not w.completed
    or w.event_on < w.completed_on
    or w.first_event = w.watched_for
    or w.watched_until >= w.completed_on
