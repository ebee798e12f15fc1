select
    f.*,
    f.completed_on as happened_on,
    f.assessed_on as image,
    case when f.outcome_class = 'healed' then 1 else 0 end as numerator,
    f.patient_id as cluster,
    case
        when f.other_care is not null then f.other_care
        when f.outcome_class not in ('healed', 'healing', 'uncertain', 'not healed') then 'no outcome to compare'
        when f.dentist is null then 'dentist not recorded'
    end as left_out
from tooth_facts as f
