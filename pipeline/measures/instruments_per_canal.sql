select
    f.*,
    f.instruments as value,
    f.patient_id as cluster,
    case when f.instruments is null then 'no instrument use recorded' end as left_out
from canal_facts as f
