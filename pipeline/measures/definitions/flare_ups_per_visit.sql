select
    v.*,
    v.flare_up as numerator,
    1 as denominator,
    v.patient_id as cluster,
    case
        when v.flare_up is null and v.days_known < 7 then 'less than 7 days ago'
        when v.flare_up is null then 'reason of the next visit not recorded'
    end as left_out
from treatment_visits as v
