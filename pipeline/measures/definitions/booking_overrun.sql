select
    f.*,
    f.in_chair_minutes - f.booked_minutes as value,
    f.patient_id as cluster,
    case
        when f.booked_minutes is null then 'length of the booking not recorded'
        when f.clock_in_doubt = 1 then 'begins or ends in the hour in which the clock was changed'
    end as left_out
from visit_facts as f
