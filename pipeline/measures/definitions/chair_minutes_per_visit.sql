select
    f.*,
    f.minutes as value,
    f.patient_id as cluster,
    case
        when f.clock_in_doubt = 1 then 'begins or ends in the hour in which the clock was changed'
        when f.minutes <= 0 then 'wholly inside another visit of the same chair'
    end as left_out
from visit_facts as f
