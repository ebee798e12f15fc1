-- Engine-driven uses with the lot of their instrument: as the use has it, else as the list of instruments has it. And
-- separations that no use can count, which are left out with the reason.
select
    f.*,
    coalesce(u.lot, i.lot) as lot,
    f.separations as numerator,
    f.patient_id as cluster,
    case
        when f.not_placed is not null then f.not_placed
        when f.not_engine_driven is not null then f.not_engine_driven
        when f.not_watched is not null then f.not_watched
        when coalesce(u.lot, i.lot) is null then 'lot not recorded'
    end as left_out
from use_facts as f
left join instrument_uses as u on u.practice = f.practice and u.use_id = f.use_id
left join instruments as i on i.practice = f.practice and i.instrument_id = f.instrument_id
