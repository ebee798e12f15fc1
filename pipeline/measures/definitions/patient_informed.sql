select
    f.*,
    case when f.patient_informed then 1 else 0 end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when f.recorded_in = 'use' then 'told by the use alone: there is no report that could say it'
    end as left_out
from incident_facts as f
