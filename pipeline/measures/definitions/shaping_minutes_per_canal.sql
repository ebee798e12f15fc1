-- Of canal_facts every column but `basis`, which is about chair minutes.
select
    x.*,
    f.happened_on,
    f.flags,
    f.shaping_gaps,
    f.shaping_gap_minutes,
    f.shaping_minutes as value,
    f.patient_id as cluster,
    case
        when f.uses is null then 'no instrument use recorded'
        when f.ends_untimed = 1 then 'start of the first or last instrument use not recorded'
        when f.uses = 1 and f.uses_with_seconds = 0 then 'a single instrument use without seconds'
    end as left_out
from canal_facts as f
inner join canal_case_mix as x on x.practice = f.practice and x.treatment_id = f.treatment_id and x.canal = f.canal
