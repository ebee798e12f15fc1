select
    f.*,
    f.completed_on as happened_on,
    f.assessed_on as image,
    f.patient_id as cluster,
    case
        when f.lesion <> 'yes' or t.lesion_mm is null then f.lesion
        when t.lesion_mm >= 5 then 'yes, 5 mm and above'
        else 'yes, below 5 mm'
    end as lesion_size,
    case when f.outcome_class = 'healed' then 1 else 0 end as numerator,
    case
        when f.other_care is not null then f.other_care
        when f.outcome_class not in ('healed', 'healing', 'uncertain', 'not healed') then 'no outcome to compare'
        when f.dentist is null then 'dentist not recorded'
    end as left_out
from tooth_facts as f
left join treatments as t on t.practice = f.practice and t.treatment_id = f.treatment_id
