select
    f.*,
    f.started_on as happened_on,
    case when f.status = 'in progress' or f.completed_on > date '${as_of}' then 1 else 0 end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when date_diff('day', f.started_on, date '${as_of}') < 90 then 'started less than 90 days ago'
        when f.status is null or f.status = 'other' then f.not_completed
    end as left_out
from tooth_facts as f
