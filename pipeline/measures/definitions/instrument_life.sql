select
    f.*,
    f.uses_watched as time,
    case when f.ended_at_use is not null then 1 else 0 end as event,
    coalesce(f.not_engine_driven, f.not_inspected, f.earlier_uses) as left_out
from instrument_facts as f
