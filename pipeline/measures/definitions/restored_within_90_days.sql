select
    f.*,
    f.completed_on as happened_on,
    case when f.restored_after <= 90 then 1 else 0 end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when not f.completed then f.not_completed
        when f.completed_on + interval '90' day > date '${as_of}' then 'completed less than 90 days ago'
        else f.restoration_in_doubt
    end as left_out
from tooth_facts as f
