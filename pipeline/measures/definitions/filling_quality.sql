select
    f.*,
    f.patient_id as cluster,
    case
        when c.filling_extent_mm is null or c.filling_voids is null then null
        when c.filling_extent_mm between -2 and 0 and not c.filling_voids then 1
        else 0
    end as met,
    case
        when c.filling_extent_mm is null or c.filling_voids is null then null
        when c.filling_extent_mm < -2 then 'short'
        when c.filling_extent_mm > 0 then 'beyond'
        when c.filling_voids then 'voids'
    end as fault,
    case
        when f.patient_id is null then 'the canal''s treatment is not in the store'
        when b.status <> 'completed' and c.filling_extent_mm is null and c.filling_voids is null
            then 'treatment not completed, no filling recorded'
    end as left_out
from canal_facts as f
inner join canals as c on c.practice = f.practice and c.treatment_id = f.treatment_id and c.canal = f.canal
left join treatment_base as b on b.practice = f.practice and b.treatment_id = f.treatment_id
