select
    f.*,
    f.uses as value,
    case
        when f.retired_on is null then 'still in service, or its retirement is not recorded'
        else f.earlier_uses
    end as left_out
from instrument_facts as f
