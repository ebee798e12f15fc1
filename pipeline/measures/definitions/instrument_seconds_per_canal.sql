-- Of canal_facts every column but `basis`, which is about chair minutes.
select
    x.*,
    f.happened_on,
    f.flags,
    f.instrument_seconds,
    f.engine_seconds,
    f.instrument_seconds as value,
    f.patient_id as cluster,
    case
        when f.uses is null then 'no instrument use recorded'
        when f.uses_with_seconds < f.uses then 'seconds of an instrument use not recorded'
    end as left_out
from canal_facts as f
inner join canal_case_mix as x on x.practice = f.practice and x.treatment_id = f.treatment_id and x.canal = f.canal
