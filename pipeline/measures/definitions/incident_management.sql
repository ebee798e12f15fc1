select
    f.*,
    case
        when f.told_by = 'use' then 'told by the use alone: there is no report that could say it'
    end as left_out
from incident_facts as f
