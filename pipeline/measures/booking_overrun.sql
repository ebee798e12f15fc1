select
    f.*,
    f.in_chair_minutes - f.booked_minutes as value,
    f.patient_id as cluster,
    case when f.booked_minutes is null then 'length of the booking not recorded' end as left_out
from visit_facts as f
