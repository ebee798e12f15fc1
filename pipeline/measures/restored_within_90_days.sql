select
    f.*,
    f.completed_on as happened_on,
    case
        when
            f.restoration in ('direct', 'crown', 'onlay')
            and date_diff('day', f.completed_on, f.restored_on) <= 90
            then 1
        else 0
    end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when not f.completed then 'treatment not completed'
        when f.completed_on + interval '90' day > date '${as_of}' then 'completed less than 90 days ago'
        when f.restoration is null then 'restoration not recorded'
        when f.restoration in ('none', 'temporary') then null
        when f.restored_on is null then 'date of the restoration not recorded'
        when f.restored_on < f.completed_on then 'restored before completion: dates contradict each other'
    end as left_out
from tooth_facts as f
