select
    f.*,
    f.completed_on as happened_on,
    case when f.outcome_class in ('healed', 'healing', 'uncertain', 'not healed') then 1 else 0 end as seen,
    case when f.outcome_class = 'healed' then 1 else 0 end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    case
        when f.age < 40 then 'below 40'
        when f.age < 60 then '40 to 59'
        when f.age >= 60 then '60 and above'
    end as age_group,
    case
        when f.outcome_class = 'not completed' then f.not_completed
        when f.other_care is not null then f.other_care
        when f.outcome_class = 'not due' then 'completed too recently to be judged'
        when f.outcome_class = 'exfoliated' then 'primary tooth exfoliated before it was judged'
        when f.outcome_class in ('lost for another reason', 'lost, reason not recorded') then f.outcome_class
    end as left_out
from tooth_facts as f
