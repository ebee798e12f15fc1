-- The lives of instruments, with the hazard that the practice does not want to pass (its standard for this measure).
select
    f.*,
    f.uses_watched as time,
    case when f.ended_at_use is not null then 1 else 0 end as event,
    (select min(s.target) from catalogue_standards as s where s.measure = 'instrument_hazard') as hazard_limit,
    coalesce(f.not_engine_driven, f.not_inspected, f.earlier_uses) as left_out
from instrument_facts as f
