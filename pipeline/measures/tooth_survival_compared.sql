select
    f.*,
    f.completed_on as happened_on,
    date_diff('day', f.completed_on, case when f.lost then f.lost_on else f.last_seen_on end) / 30.4375 as time,
    case when f.lost then 1 else 0 end as event,
    case
        when not f.completed then 'treatment not completed'
        when f.last_seen_on is null then 'never seen after completion'
        when not f.lost and f.last_seen_on < f.completed_on then 'never seen after completion'
        when f.lost and f.lost_on < f.completed_on then 'lost before completion: dates contradict each other'
    end as left_out
from tooth_facts as f
