-- One row an instrument of a canal (`item`; counted once, however often it returned), or one without an item where no
-- use is recorded. `unit` is the canal. An instrument without a serial is told from others by size, taper and motion.
with used as (
    select distinct
        practice,
        treatment_id,
        canal,
        size,
        motion,
        coalesce(
            'serial ' || instrument_id,
            'untracked ' || cast(size as varchar) || ' ' || cast(taper as varchar) || ' ' || motion
        ) as item
    from instrument_uses
)

select
    f.*,
    u.size,
    u.motion,
    u.item,
    dense_rank() over (order by f.practice, f.treatment_id, f.canal) as unit,
    f.patient_id as cluster,
    case when u.item is null then 'no instrument use recorded' end as left_out
from canal_facts as f
left join used as u on u.practice = f.practice and u.treatment_id = f.treatment_id and u.canal = f.canal
