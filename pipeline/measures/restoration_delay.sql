select
    f.*,
    f.completed_on as happened_on,
    date_diff('day', f.completed_on, f.restored_on) as value,
    case
        when not f.completed then 'treatment not completed'
        when f.restoration is null then 'restoration not recorded'
        when f.restoration in ('none', 'temporary') then 'not restored definitively yet'
        when f.restored_on is null then 'date of the restoration not recorded'
        when f.restored_on < f.completed_on then 'restored before completion: dates contradict each other'
    end as left_out
from tooth_facts as f
