select
    f.*,
    f.started_on as happened_on,
    f.separations as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when f.canals_instrumented = 0 and f.uses = 0 and f.separations = 0 then 'no canal or instrument recorded'
    end as left_out
from tooth_facts as f
