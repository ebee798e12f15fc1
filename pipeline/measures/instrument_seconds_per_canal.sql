select
    f.*,
    f.instrument_seconds as value,
    case
        when f.uses is null then 'no instrument use recorded'
        when f.uses_with_seconds < f.uses then 'seconds of an instrument use not recorded'
    end as left_out
from canal_facts as f
