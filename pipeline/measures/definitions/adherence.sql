select
    f.*,
    f.check_name as "check",
    f.patient_id as cluster,
    case
        when f.check_name is null and f.sequence is null then 'no sequence is recorded for the canal'
        when f.check_name is null then 'the canal''s sequence is not in the catalogue'
        when f.patient_id is null then 'the canal''s treatment is not in the store'
    end as left_out
from adherence_facts as f
