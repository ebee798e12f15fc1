select
    f.*,
    f.shaping_minutes as value,
    case
        when f.uses is null then 'no instrument use recorded'
        when f.ends_untimed = 1 then 'start of the first or last instrument use not recorded'
        when f.uses = 1 and f.uses_with_seconds = 0 then 'a single instrument use without seconds'
    end as left_out
from canal_facts as f
