-- One row an instrument of a treatment and canal (`item`, the same in several canals), or one without an item where no
-- use is recorded. `unit` is the treatment.
with unnamed as (
    select practice, treatment_id, count(*) as uses
    from use_base
    where instrument_id is null and size is null
    group by practice, treatment_id
)

select
    f.*,
    f.started_on as happened_on,
    u.size,
    u.motion,
    u.item,
    dense_rank() over (order by f.practice, f.treatment_id) as unit,
    f.patient_id as cluster,
    case
        when u.item is null then 'no instrument use recorded'
        when n.uses > 0 then 'an instrument of the tooth has neither a serial nor a size'
    end as left_out
from tooth_facts as f
left join canal_items as u on u.practice = f.practice and u.treatment_id = f.treatment_id
left join unnamed as n on n.practice = f.practice and n.treatment_id = f.treatment_id
