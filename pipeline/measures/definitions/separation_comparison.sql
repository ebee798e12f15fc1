-- Engine-driven uses, with what is allowed for, and what is recorded beside it; and separations that no use can count,
-- which are left out with the reason.
select
    f.*,
    f.separations as numerator,
    f.patient_id as cluster,
    case when n.use_number = 1 then '1' when n.use_number <= 3 then '2-3' when n.use_number >= 4 then '4 and more' end
        as use_class,
    u.speed_rpm,
    u.torque_ncm,
    c.glide_path_size,
    u.irrigant_ml,
    c.first_binding_size,
    c.curve_radius_mm,
    case
        when f.not_placed is not null then f.not_placed
        when f.not_engine_driven is not null then f.not_engine_driven
        when f.not_watched is not null then f.not_watched
        when f.kind not in ('primary', 'retreatment') then 'neither primary treatment nor retreatment'
    end as left_out
from use_facts as f
left join instrument_uses as u on u.practice = f.practice and u.use_id = f.use_id
left join canals as c on c.practice = f.practice and c.treatment_id = f.treatment_id and c.canal = f.canal
left join instrument_canals as n
    on
        n.practice = f.practice
        and n.instrument_id = f.instrument_id
        and n.treatment_id = f.treatment_id
        and n.canal = f.canal
