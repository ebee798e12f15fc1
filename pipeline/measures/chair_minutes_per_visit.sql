select
    f.*,
    f.minutes as value,
    case when f.minutes <= 0 then 'wholly inside another visit of the same chair' end as left_out
from visit_facts as f
