select
    f.*,
    f.completed_on as happened_on,
    f.judged_on as image,
    case when f.outcome_class = 'healed' then 1 else 0 end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when f.outcome_class not in ('healed', 'healing', 'not healed') then 'no outcome to compare'
        when f.tooth_type is null or f.lesion is null or f.kind is null
            then 'tooth type, lesion or kind not recorded'
    end as left_out
from tooth_facts as f
