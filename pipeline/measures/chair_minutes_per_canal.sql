select
    f.*,
    f.minutes as value,
    f.patient_id as cluster,
    case when f.basis is null then 'neither canal times nor a visit to estimate them from' end as left_out
from canal_facts as f
