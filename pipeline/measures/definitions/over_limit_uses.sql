select
    f.*,
    case when f.use_number > f.use_limit then 1 else 0 end as numerator,
    1 as denominator,
    f.practice || ' ' || f.instrument_id as cluster,
    case when f.use_limit is null then 'the instrument has no use limit' else f.earlier_uses end as left_out
from instrument_canals as f
