select
    f.*,
    f.cost as value,
    f.patient_id as cluster,
    case
        when f.untracked_uses is null then 'no instrument use recorded'
        when f.untracked_uses > 0 then 'an instrument of the canal has no serial'
        when f.without_price > 0 then 'an instrument of the canal has no price, or neither use limit nor retirement, or was used before the records begin'
    end as left_out
from canal_facts as f
