select
    f.*,
    f.completed_on as happened_on,
    f.assessed_on as image,
    f.outcome_class as class_of,
    case when f.outcome_class = 'lost for another reason' then 0 else 1 end as core,
    f.patient_id as cluster,
    case
        when f.outcome_class = 'not completed' then f.not_completed
        when f.other_care is not null then f.other_care
        when f.outcome_class = 'not due' then 'completed too recently to be judged'
        when f.outcome_class = 'not seen' then 'not seen since it was due'
        when f.outcome_class = 'exfoliated' then 'primary tooth exfoliated before it was judged'
        when
            f.outcome_class = 'undetermined'
            and f.outcome_signs is not null
            and f.outcome_image not in ('none', 'periapical', 'cbct')
            then 'undetermined: seen on a panoramic or another image, on which PAI is not read'
        when f.outcome_class = 'undetermined' then 'undetermined: no sign recorded, no image, or nothing to compare with'
        when f.outcome_class = 'lost, reason not recorded' then f.outcome_class
    end as left_out
from tooth_facts as f
