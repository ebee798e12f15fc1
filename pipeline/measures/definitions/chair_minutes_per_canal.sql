select
    f.*,
    f.minutes as value,
    f.patient_id as cluster,
    case
        when f.basis is null and f.clock_in_doubt = 1 then 'begins or ends in the hour in which the clock was changed'
        when f.basis is null then 'neither canal times nor a visit to estimate them from'
    end as left_out
from canal_facts as f
