select
    f.*,
    f.revolutions as value,
    case
        when f.not_engine_driven is not null then f.not_engine_driven
        when f.motion <> 'rotation' then f.motion || ': speed and seconds do not tell its turns'
        when f.revolutions is null then 'speed or seconds of a use not recorded'
        when f.retired_on is null then 'still in service, or its retirement is not recorded'
        else f.earlier_uses
    end as left_out
from instrument_facts as f
