select
    f.*,
    f.completed_on as happened_on,
    f.restored_after as value,
    f.patient_id as cluster,
    case
        when not f.completed then f.not_completed
        when f.restored_after is null and f.restoration_in_doubt is null then 'not restored definitively yet'
        else f.restoration_in_doubt
    end as left_out
from tooth_facts as f
