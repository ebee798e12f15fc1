select
    f.*,
    f.patient_id as cluster,
    f.separations as numerator,
    case when f.dentist is null then 'dentist not recorded' end as left_out
from canal_facts as f
