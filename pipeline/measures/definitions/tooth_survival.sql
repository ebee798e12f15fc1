select
    f.*,
    f.completed_on as happened_on,
    f.months_followed as time,
    f.patient_id as cluster,
    case when f.lost and f.lost_reason is distinct from 'exfoliated' then 1 else 0 end as event,
    case when not f.completed then f.not_completed else coalesce(f.other_care, f.not_followed) end as left_out
from tooth_facts as f
