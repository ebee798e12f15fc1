select
    f.*,
    case
        when f.recorded_in = 'use' then 'told by the use alone: there is no report that could say it'
    end as left_out
from incident_facts as f
