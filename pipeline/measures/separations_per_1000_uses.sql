select
    f.*,
    f.separations as numerator,
    1 as exposure,
    f.patient_id as cluster,
    cast(null as varchar) as left_out
from use_facts as f
