-- Instruments in canals; and separations that none of them can count, which are left out with the reason.
select
    f.patient_id,
    f.happened_on,
    f.dentist,
    f.sequence,
    f.canal,
    f.tooth,
    f.tooth_type,
    f.tooth_group,
    f.arch,
    f.kind,
    f.lesion,
    f.curvature_class,
    f.size,
    f.motion,
    f.flags,
    f.separated as numerator,
    f.revolutions as exposure,
    f.patient_id as cluster,
    case
        when f.not_engine_driven is not null then f.not_engine_driven
        when f.not_watched is not null then f.not_watched
        when f.motion <> 'rotation' then f.motion || ': speed and seconds do not tell its turns'
        when f.revolutions is null then 'speed or seconds not recorded'
    end as left_out
from instrument_canals as f
union all
select
    p.patient_id,
    p.happened_on,
    p.dentist,
    p.sequence,
    p.canal,
    p.tooth,
    p.tooth_type,
    p.tooth_group,
    p.arch,
    p.kind,
    p.lesion,
    p.curvature_class,
    p.size,
    p.motion,
    p.flags,
    1 as numerator,
    cast(0 as double) as exposure,
    p.patient_id as cluster,
    p.without_serial as left_out
from separations_not_placed as p
where p.without_serial is not null
