select
    f.*,
    f.completed_on as happened_on,
    f.visits as value,
    f.patient_id as cluster,
    case
        when not f.completed then f.not_completed
        when f.visits is null then 'no visit recorded'
    end as left_out
from tooth_facts as f
