with first_events as (
    select
        practice,
        treatment_id,
        least(retreated_on, surgery_on, case when lost then lost_on end) as event_on
    from tooth_facts
)

select
    f.*,
    f.completed_on as happened_on,
    date_diff('day', f.completed_on, coalesce(e.event_on, f.last_seen_on)) / 30.4375 as time,
    case when e.event_on is null then 0 else 1 end as event,
    case
        when not f.completed then 'treatment not completed'
        when e.event_on < f.completed_on then 'event before completion: dates contradict each other'
        when e.event_on is not null then null
        when f.last_seen_on is null or f.last_seen_on < f.completed_on then 'never seen after completion'
    end as left_out
from tooth_facts as f
inner join first_events as e on e.practice = f.practice and e.treatment_id = f.treatment_id
