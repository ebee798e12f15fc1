select
    f.*,
    f.completed_on as happened_on,
    f.recalled as seen,
    f.patient_id as cluster,
    case
        when not f.completed then f.not_completed
        when not f.due then 'completed too recently to be due'
        when f.recalled = 0 and f.window_open then 'not seen yet, can still be seen in time'
    end as left_out
from tooth_facts as f
