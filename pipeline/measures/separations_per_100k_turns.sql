select
    f.*,
    f.separated as numerator,
    f.revolutions as exposure,
    f.patient_id as cluster,
    case
        when f.motion = 'hand' then 'hand instrument'
        when f.motion = 'reciprocation' then 'reciprocation: speed and seconds do not tell its turns'
        when f.revolutions is null then 'speed or seconds not recorded'
    end as left_out
from instrument_canals as f
