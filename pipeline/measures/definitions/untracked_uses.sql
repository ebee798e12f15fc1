select
    f.*,
    case when f.instrument_id is null then 1 else 0 end as numerator,
    1 as denominator,
    f.patient_id as cluster,
    f.not_engine_driven as left_out
from use_facts as f
where f.use_id is not null
