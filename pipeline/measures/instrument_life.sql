select
    f.*,
    coalesce(f.ended_at_use, f.uses) as time,
    case when f.ended_at_use is not null then 1 else 0 end as event,
    case when f.motion = 'hand' then 'hand instrument' else f.earlier_uses end as left_out
from instrument_facts as f
