-- One row an instrument of a treatment and canal (`item`, the same in several canals), or one without an item where no
-- use is recorded. `unit` is the treatment.
select
    f.*,
    f.started_on as happened_on,
    u.size,
    u.motion,
    u.item,
    dense_rank() over (order by f.practice, f.treatment_id) as unit,
    f.patient_id as cluster,
    case when u.item is null then 'no instrument use recorded' end as left_out
from tooth_facts as f
left join canal_items as u on u.practice = f.practice and u.treatment_id = f.treatment_id
