select
    f.*,
    case
        when f.uses < f.use_limit and f.retired_reason is distinct from 'use limit' then 1 else 0
    end as numerator,
    1 as denominator,
    case
        when f.retired_on is null or f.retired_on > date '${as_of}' then 'still in service, or its retirement is not recorded'
        when f.use_limit is null then 'the instrument has no use limit'
        else f.earlier_uses
    end as left_out
from instrument_facts as f
