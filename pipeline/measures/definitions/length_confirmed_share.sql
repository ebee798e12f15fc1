select
    f.*,
    c.length_confirmed,
    f.patient_id as cluster,
    case
        when c.length_confirmed in ('apex locator', 'radiograph', 'both') then 1
        when c.length_confirmed is not null then 0
    end as met,
    case when f.patient_id is null then 'the canal''s treatment is not in the store' end as left_out
from canal_facts as f
inner join canals as c on c.practice = f.practice and c.treatment_id = f.treatment_id and c.canal = f.canal
