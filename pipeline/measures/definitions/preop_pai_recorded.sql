select
    f.*,
    f.completed_on as happened_on,
    case when f.preop_pai is not null then 1 else 0 end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case when not f.completed then f.not_completed end as left_out
from tooth_facts as f
