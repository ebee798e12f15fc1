-- Instruments in canals; and separations that none of them can count, which are left out with the reason.
with counted as (
    select
        practice,
        treatment_id,
        canal,
        happened_on,
        size,
        motion,
        flags,
        separated as numerator,
        revolutions as exposure,
        case
            when not_engine_driven is not null then not_engine_driven
            when not_watched is not null then not_watched
            when motion <> 'rotation' then motion || ': speed and seconds do not tell its turns'
            when revolutions is null then 'speed or seconds not recorded'
        end as left_out
    from instrument_canals
    union all
    select
        practice,
        treatment_id,
        canal,
        happened_on,
        size,
        motion,
        flags,
        1 as numerator,
        cast(0 as double) as exposure,
        without_serial as left_out
    from separations_not_placed
    where without_serial is not null
)

select
    x.*,
    k.happened_on,
    k.size,
    k.motion,
    k.flags,
    k.numerator,
    k.exposure,
    x.patient_id as cluster,
    k.left_out
from counted as k
inner join canal_case_mix as x
    on x.practice = k.practice and x.treatment_id = k.treatment_id and x.canal is not distinct from k.canal
