select
    f.*,
    f.patient_id as cluster,
    i.inside as met,
    i.too_curved,
    i.other_width,
    i.without_indication as left_out
from canal_facts as f
inner join canal_indication as i on i.practice = f.practice and i.treatment_id = f.treatment_id and i.canal = f.canal
