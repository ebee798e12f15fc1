-- An instrument without a serial is told from others of the tooth by size, taper and motion.
with named as (
    select
        practice,
        treatment_id,
        motion,
        coalesce(
            'serial ' || instrument_id,
            'untracked ' || cast(size as varchar) || ' ' || cast(taper as varchar) || ' ' || motion
        ) as instrument
    from instrument_uses
),

-- The same instrument may be written down with two motions; it is one all the same.
consumed as (
    select
        practice,
        treatment_id,
        count(distinct instrument) as instruments,
        count(distinct case when motion = 'hand' then instrument end) as hand,
        count(distinct case when motion = 'rotation' then instrument end) as rotation,
        count(distinct case when motion = 'reciprocation' then instrument end) as reciprocation
    from named
    group by practice, treatment_id
)

select
    f.*,
    f.started_on as happened_on,
    c.instruments as value,
    c.hand,
    c.rotation,
    c.reciprocation,
    f.patient_id as cluster,
    case when c.instruments is null then 'no instrument use recorded' end as left_out
from tooth_facts as f
left join consumed as c on c.practice = f.practice and c.treatment_id = f.treatment_id
