select
    f.*,
    f.minutes as value,
    f.patient_id as cluster,
    case when f.minutes <= 0 then 'wholly inside another visit of the same chair' end as left_out
from visit_facts as f
