select
    f.*,
    f.completed_on as happened_on,
    w.window_image as image,
    w.window_healed as numerator,
    1 as denominator,
    f.patient_id as cluster,
    w.window_months as months,
    w.window_unseen as unseen,
    left(cast(f.completed_on as varchar), 4) as completed_year,
    coalesce(f.curvature_class, 'not recorded') as curvature,
    case
        when f.lesion = 'no' then 'none'
        when w.lesion_mm > 0 and w.lesion_mm < 5 then 'below 5 mm'
        when w.lesion_mm >= 5 then '5 mm and above'
        else 'size not recorded'
    end as lesion_size,
    case
        when f.not_completed = 'treatment not completed' then 'not completed'
        when not f.completed then f.not_completed
        when f.other_care is not null then f.other_care
        when not w.window_closed then 'the window of reviews is not over yet'
        when f.tooth_type is null or f.lesion is null or f.kind is null
            then 'tooth type, lesion or kind not recorded'
    end as left_out
from tooth_facts as f
inner join window_outcomes as w on w.practice = f.practice and w.treatment_id = f.treatment_id
