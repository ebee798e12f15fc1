select
    f.*,
    f.check_name as "check",
    f.patient_id as cluster,
    case
        when f.held_against = 'catalogue' then 'held against the practice''s own catalogue'
        when f.patient_id is null then 'the canal''s treatment is not in the store'
    end as left_out
from adherence_facts as f
