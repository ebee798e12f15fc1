-- One row an instrument of a treatment (`item`; counted once, however many canals it was taken into), or one without an
-- item where no use is recorded. `unit` is the treatment. An instrument without a serial is told from others of the
-- tooth by size, taper and motion.
with used as (
    select distinct
        practice,
        treatment_id,
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
    f.started_on as happened_on,
    u.size,
    u.motion,
    u.item,
    dense_rank() over (order by f.practice, f.treatment_id) as unit,
    f.patient_id as cluster,
    case when u.item is null then 'no instrument use recorded' end as left_out
from tooth_facts as f
left join used as u on u.practice = f.practice and u.treatment_id = f.treatment_id
