-- One row an instrument of a canal (`item`), or one without an item where no use is recorded. `unit` is the canal.
select
    f.*,
    u.size,
    u.motion,
    u.item,
    dense_rank() over (order by f.practice, f.treatment_id, f.canal) as unit,
    f.patient_id as cluster,
    case
        when u.item is null then 'no instrument use recorded'
        when f.unnamed_uses > 0 then 'an instrument of the canal has neither a serial nor a size'
    end as left_out
from canal_facts as f
left join canal_items as u on u.practice = f.practice and u.treatment_id = f.treatment_id and u.canal = f.canal
