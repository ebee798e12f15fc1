select
    f.*,
    f.completed_on as happened_on,
    f.recalled as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when not f.completed then f.not_completed
        when not f.due then 'completed too recently to be due'
        when f.window_open then 'recall window still open'
    end as left_out
from tooth_facts as f
