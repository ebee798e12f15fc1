select
    f.*,
    f.completed_on as happened_on,
    date_diff('day', f.started_on, f.completed_on) as value,
    f.patient_id as cluster,
    case when not f.completed or f.completed_on is null then f.not_completed end as left_out
from tooth_facts as f
