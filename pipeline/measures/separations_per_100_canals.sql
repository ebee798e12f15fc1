select
    f.*,
    f.separations as numerator,
    1 as denominator,
    f.patient_id as cluster,
    cast(null as varchar) as left_out
from canal_facts as f
